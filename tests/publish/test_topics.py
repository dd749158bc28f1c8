"""Topics: what an entry is published under, and what is refused as a name."""

from datetime import UTC, datetime

import pytest

from platelink.publish.topics import Address, TopicError, Topics, parse, recorder_filters
from platelink.runs import RunEnd, RunEvent, RunStart

AT = datetime(2030, 1, 2, 3, 4, 5, tzinfo=UTC)
TOPICS = Topics("invented-shop", "unit_1")


def test_topic_of_every_kind_parses_back_to_its_address():
    start = RunStart(id="j-1", run_id="r:1", unit="unit_1", at_utc=AT, step="film")
    end = RunEnd(
        id="j-2", run_id="r:1", unit="unit_1", at_utc=AT, state="complete", reason="dose",
        samples=0, events=0,
    )  # fmt: skip
    event = RunEvent(id="j-3", run_id="r:1", unit="unit_1", at_utc=AT, name="light_on")
    outside = RunEvent(id="j-4", run_id=None, unit="unit_1", at_utc=AT, name="link_lost")
    assert TOPICS.of(start) == "platelink/v1/invented-shop/unit_1/run/r:1/start"
    assert TOPICS.of(outside) == "platelink/v1/invented-shop/unit_1/event"
    for entry in (start, end, event, outside):
        address = parse(TOPICS.of(entry))
        assert address == Address("invented-shop", "unit_1", entry.run_id, entry.kind)
    assert parse(TOPICS.status) == Address("invented-shop", "unit_1", None, "status")


@pytest.mark.parametrize("bad", ["", "a/b", "a+", "#", "two words", "$share", "-x", "ü", "x" * 65])
def test_names_that_would_break_a_topic_are_refused(bad):
    with pytest.raises(TopicError, match="unit"):
        Topics("shop", bad)
    with pytest.raises(TopicError, match="site"):
        Topics(bad, "unit")


def test_run_id_with_a_wildcard_is_refused():
    event = RunEvent(id="j-3", run_id="r/#", unit="unit_1", at_utc=AT, name="x")
    with pytest.raises(TopicError, match="r/#"):
        TOPICS.of(event)


@pytest.mark.parametrize(
    "topic",
    ["", "platelink", "platelink/v2/s/u/event", "platelink/v1/s/u", "platelink/v1/s/u/run/r",
     "platelink/v1/s/u/run/r/raw", "platelink/v1/s /u/event", "platelink/v1/s/u/run//start",
     "platelink/v1/s/u/start", "other/v1/s/u/event"],
)  # fmt: skip
def test_foreign_topics_have_no_address(topic):
    assert parse(topic) is None


def test_a_group_shares_the_stream_but_every_member_hears_the_starts():
    assert recorder_filters(None) == ("platelink/v1/+/+/run/+/+", "platelink/v1/+/+/event")
    assert recorder_filters("night") == (
        "$share/night/platelink/v1/+/+/run/+/+",
        "$share/night/platelink/v1/+/+/event",
        "platelink/v1/+/+/run/+/start",
    )
    with pytest.raises(TopicError):
        recorder_filters("a/b")
