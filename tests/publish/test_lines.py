"""Line protocol, compared with what the client library writes for the same points."""

import math

import pytest
from influxdb_client import Point as LibraryPoint
from influxdb_client import WritePrecision
from publish import publish_samples as ps

from platelink.publish.lines import OUTSIDE, RunTags, points_of
from platelink.publish.topics import Address
from platelink.runs import AnyEntry

AWKWARD = "final hardening, 2=two"


def address(kind: str, run: str | None = "r1") -> Address:
    return Address(ps.SITE, ps.UNIT, run, kind)


def library_line(measurement: str, tags: dict[str, str], fields: dict[str, float], at: int) -> str:
    """influxdb-client's own serialiser: an independent writer of the same format."""
    point = LibraryPoint(measurement)
    for key, value in tags.items():
        point.tag(key, value)
    for key, value in fields.items():
        point.field(key, value)
    return point.time(at, WritePrecision.MS).to_line_protocol()


def parts(text: str) -> tuple[str, set[str], set[str], str]:
    """Measurement, tags, fields, time; the order of tags and of fields has no meaning."""
    head, fields, at = text.replace("\\ ", "\0").rsplit(" ", 2)
    measurement, *tags = head.replace("\\,", "\1").split(",")
    return measurement, set(tags), {number(f) for f in fields.split(",")}, at


def number(field: str) -> str:
    name, value = field.split("=")
    return f"{name}={float(value)!r}"


def one_line(entry: AnyEntry, step: str = "film") -> str:
    points = points_of(entry, address(entry.kind, entry.run_id), RunTags(step, 0), order=9)
    assert points is not None
    (text,) = points.lines(points.at_ms)
    return text


@pytest.mark.parametrize(("slot", "tag"), [(2, {"slot": "2"}), (None, {"run": "r1"})])
def test_samples_give_one_line_each_with_the_known_values(slot, tag):
    """Runs recorded before there were slots keep their name, so that a point stays the same."""
    block = ps.samples(4, 2, 3)
    points = points_of(block, address("samples"), RunTags(AWKWARD, slot), order=4)
    assert points is not None
    assert points.at_ms == block.at_utc_ms
    assert points.order == 4
    lines = points.lines([at + 1 for at in points.at_ms])
    assert "vacuum_kpa" not in lines[1]  # sample 3 is a missing value
    tags = {"site": ps.SITE, "unit": ps.UNIT, "step": AWKWARD} | tag
    for i, text in enumerate(lines):
        values = {k: v[i] for k, v in block.values.items() if v[i] is not None}
        at_ms = points.at_ms[i] + 1
        expected = library_line("platelink", tags, values | {"sample": 2.0 + i}, at_ms)
        assert parts(text) == parts(expected)
    whole = ps.samples(4, 0, 3)  # none is missing
    points = points_of(whole, address("samples"), RunTags(AWKWARD, slot), order=4)
    assert points is not None
    for i, text in enumerate(points.lines(points.at_ms)):
        values = {k: v[i] for k, v in whole.values.items()}
        expected = library_line("platelink", tags, values | {"sample": 0.0 + i}, whole.at_utc_ms[i])
        assert parts(text) == parts(expected)


def test_event_outside_a_run_has_no_run_and_no_step():
    tags = {"site": ps.SITE, "unit": ps.UNIT, "name": "link_lost"}
    expected = library_line("platelink_event", tags, {"count": 1.0}, ps.AT_MS)
    assert parts(one_line(ps.event(1, "link_lost", None), step="")) == parts(expected)


def test_start_and_end_give_their_numbers():
    series, fields, _ = one_line(ps.start()).split(" ")
    assert series.startswith("platelink_run_start,") and ",run=r1," in series
    assert fields == "count=1.0,target_dose_mj_cm2=340.0"
    series, fields, _ = one_line(ps.end(9, 20)).split(" ")
    assert series.endswith(",run=r1,step=film,state=complete")
    assert fields == (
        "dose_mj_cm2=340.1,device_dose_mj_cm2=340.2,light_s=60.5,samples=20.0,events=2.0,gaps=0.0"
    )
    sure = ps.end(9, 20).model_copy(update={"data": {"uncertainty": ps.UNCERTAINTY}})
    assert ",plate_to_plate_pct=1.5,against_meter_pct=14.0," in one_line(sure)
    assert points_of(ps.channels(), address("channels"), RunTags("film", 0), order=2) is None


@pytest.mark.parametrize("nasty", ["a\nb", "a\\", 'a"b', "\x00"])
def test_text_that_would_break_a_line_cannot(nasty):
    text = one_line(ps.event(1, nasty), step=nasty)
    assert "\n" not in text and "\\" not in text and '"' not in text
    assert text.endswith(f" count=1.0 {ps.AT_MS}")


@pytest.mark.parametrize(
    "value", [0.1, 1e-300, 1.7976931348623157e308, -0.0, 340.10000000000002, 1e16, 5e-324]
)
def test_numbers_read_back_as_they_were(value):
    sample = ps.samples(4, 0, 1).model_copy(update={"values": {"x": (value,)}})
    for text in (one_line(sample), one_line(ps.end(9, 1).model_copy(update={"light_s": value}))):
        fields = dict(field.split("=") for field in text.split(" ")[1].split(","))
        read = float(fields["x" if "x" in fields else "light_s"])
        assert (read, math.copysign(1.0, read)) == (value, math.copysign(1.0, value))


@pytest.mark.parametrize(("slot", "tag"), [(0, {}), (None, {"run": "r1"})])
def test_an_event_of_a_run_carries_its_name_in_older_records_only(slot, tag):
    points = points_of(ps.event(3), address("event"), RunTags("film", slot), order=3)
    assert points is not None
    tags = {"site": ps.SITE, "unit": ps.UNIT, "step": "film", "name": "light_on"} | tag
    expected = library_line("platelink_event", tags, {"count": 1.0}, ps.AT_MS)
    assert [parts(text) for text in points.lines([ps.AT_MS])] == [parts(expected)]


def test_an_alarm_stands_with_its_name_and_priority():
    data = {"alarm": "contact lost", "priority": "high", "group": "contact", "from": "normal",
            "to": "unacknowledged", "act": "raised", "value": 51.0, "limit": 56.0, "unit": "kPa",
            "since_utc_ms": 1, "until_utc_ms": None, "first_out": True, "who": None, "why": None,
            "of_run": "r1", "plate": "P-1"}  # fmt: skip
    entry = ps.event(1, "alarm", None).model_copy(update={"data": data})
    points = points_of(entry, address("event", None), OUTSIDE, order=1)
    assert points is not None
    tags = {"site": ps.SITE, "unit": ps.UNIT, "name": "alarm", "alarm": "contact lost",
            "priority": "high", "state": "unacknowledged"}  # fmt: skip
    expected = library_line("platelink_event", tags, {"count": 1.0}, ps.AT_MS)
    assert [parts(text) for text in points.lines([ps.AT_MS])] == [parts(expected)]
