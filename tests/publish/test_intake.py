"""What the recorder takes, and what it puts aside with which reason."""

import json

import pytest
from publish import publish_samples as ps

from platelink.publish.intake import FUTURE_LIMIT_MS, Accepted, Rejected, judge
from platelink.publish.topics import Topics
from platelink.runs import AnyEntry

TOPICS = Topics(ps.SITE, ps.UNIT)
NOW_MS = ps.AT_MS + 60_000


def put(entry: AnyEntry, **changed: object) -> Accepted | Rejected:
    payload = json.dumps(json.loads(entry.model_dump_json()) | changed)
    return judge(TOPICS.of(entry), payload.encode(), utc_ms=NOW_MS)


@pytest.mark.parametrize("entry", ps.whole_run(2, 10), ids=lambda e: e.kind)
def test_every_kind_of_entry_is_taken_unchanged(entry):
    result = put(entry)
    assert isinstance(result, Accepted)
    assert result.entry == entry


def test_field_added_by_a_newer_writer_is_left_out():
    result = put(ps.start(), shift="night")
    assert isinstance(result, Accepted) and result.entry == ps.start()
    described = json.loads(ps.channels().model_dump_json())["channels"]
    described[1]["colour"] = "blue"
    result = put(ps.channels(), channels=described)
    assert isinstance(result, Accepted) and result.entry == ps.channels()


BLOCK = ps.samples(4, 0, 3)
REFUSED = [
    (ps.start(), {"format": 2}, "reads format 1: update"),
    (ps.start(), {"unit": "other"}, "its topic says"),
    (ps.start(), {"run_id": "r2"}, "its topic says"),
    (ps.start(), {"target_dose_mj_cm2": "many"}, "target_dose_mj_cm2"),
    (ps.start(), {"target_dose_mj_cm2": float("nan")}, "finite"),
    (ps.start(), {"at_utc": "2026-01-02T03:04:05"}, "timezone"),
    (ps.start(), {"at_utc": "2029-01-01T00:00:00Z"}, "limit 48 h"),
    (ps.start(), {"at_utc": "2019-12-31T23:59:59Z"}, "before 2020"),
    (BLOCK, {"at_utc_ms": [-1, ps.AT_MS, ps.AT_MS + 1]}, "before 2020"),
    (BLOCK, {"at_utc_ms": [1, 2]}, "at_utc_ms has 2 values, ticks has 3"),
    (BLOCK, {"values": {"dose_mj_cm2": [1.0, 2.0]}}, "dose_mj_cm2 has 2 values, ticks has 3"),
    (BLOCK, {"values": {"dose mj": [1.0, 2.0, 3.0]}}, "cannot be the name of a field"),
    (BLOCK, {"values": {"dose_mj_cm2": [1.0, float("inf"), 3.0]}}, "finite"),
    (BLOCK, {"values": {"dose_mj_cm2": [1.0, "off", 3.0]}}, "number"),
    (BLOCK, {"first_sample": -1}, "greater than or equal to 0"),
    (BLOCK, {"kind": "noise"}, "kind"),
]


@pytest.mark.parametrize(("entry", "changed", "reason"), REFUSED)
def test_bad_entry_is_rejected_with_its_reason(entry, changed, reason):
    result = put(entry, **changed)
    assert isinstance(result, Rejected)
    assert reason in result.reason


@pytest.mark.parametrize("payload", [b"", b"\xff\xfe", b"{", b"[]", b"17", b"x" * 5_000_000])
def test_garbage_is_rejected(payload):
    result = judge(TOPICS.of(ps.start()), payload, utc_ms=NOW_MS)
    assert isinstance(result, Rejected) and result.payload == payload


def test_foreign_topics_are_rejected():
    good = ps.start().model_dump_json().encode()
    for topic in (TOPICS.status, "platelink/v1/a/b/run/r1/raw", "other"):
        assert isinstance(judge(topic, good, utc_ms=NOW_MS), Rejected)


def test_limit_on_the_future_is_exact():
    last = BLOCK.at_utc_ms[-1]
    good = judge(TOPICS.of(BLOCK), BLOCK.model_dump_json().encode(), utc_ms=last - FUTURE_LIMIT_MS)
    late = judge(
        TOPICS.of(BLOCK), BLOCK.model_dump_json().encode(), utc_ms=last - FUTURE_LIMIT_MS - 1
    )
    assert isinstance(good, Accepted) and isinstance(late, Rejected)
