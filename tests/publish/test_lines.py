"""Line protocol, compared with what the client library writes for the same points."""

import pytest
from influxdb_client import Point as LibraryPoint
from influxdb_client import WritePrecision
from publish import publish_samples as ps

from platelink.publish.lines import Point, line, points_of
from platelink.publish.topics import Address

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


def test_samples_give_one_line_each_with_the_known_values():
    block = ps.samples(4, 2, 3)
    points = list(points_of(block, address("samples"), step=AWKWARD, order=4))
    assert [p.at_ms for p in points] == list(block.at_utc_ms)
    assert [p.order for p in points] == [2, 3, 4]
    assert "vacuum_kpa" not in points[1].fields  # sample 3 is a missing value
    tags = {"site": ps.SITE, "unit": ps.UNIT, "run": "r1", "step": AWKWARD}
    for i, point in enumerate(points):
        values = {k: v[i] for k, v in block.values.items() if v[i] is not None}
        expected = library_line("platelink", tags, values | {"sample": 2.0 + i}, point.at_ms)
        assert parts(line(point, point.at_ms)) == parts(expected)


def test_event_outside_a_run_has_no_run_and_no_step():
    (point,) = points_of(ps.event(1, "link_lost", None), address("event", None), step="", order=1)
    tags = {"site": ps.SITE, "unit": ps.UNIT, "name": "link_lost"}
    expected = library_line("platelink_event", tags, {"count": 1.0}, ps.AT_MS)
    assert parts(line(point, ps.AT_MS)) == parts(expected)


def test_start_and_end_give_their_numbers():
    (begin,) = points_of(ps.start(), address("start"), step="film", order=1)
    assert begin.fields == {"count": 1.0, "target_dose_mj_cm2": 340.0}
    (stop,) = points_of(ps.end(9, 20), address("end"), step="film", order=9)
    assert stop.series.endswith(",step=film,state=complete")
    assert stop.fields == {
        "dose_mj_cm2": 340.1, "device_dose_mj_cm2": 340.2, "light_s": 60.5, "samples": 20.0,
        "events": 2.0, "gaps": 0.0,
    }  # fmt: skip
    sure = ps.end(9, 20).model_copy(update={"data": {"uncertainty": ps.UNCERTAINTY}})
    (stop,) = points_of(sure, address("end"), step="film", order=9)
    assert (stop.fields["plate_to_plate_pct"], stop.fields["against_meter_pct"]) == (1.5, 14.0)
    assert list(points_of(ps.channels(), address("channels"), step="film", order=2)) == []


@pytest.mark.parametrize("nasty", ["a\nb", "a\\", 'a"b', "\x00"])
def test_text_that_would_break_a_line_cannot(nasty):
    (point,) = points_of(ps.event(1, nasty), address("event"), step=nasty, order=1)
    text = line(point, 5)
    assert "\n" not in text and "\\" not in text and '"' not in text
    assert text.endswith(" count=1.0 5")


@pytest.mark.parametrize("value", [0.1, 1e-300, 1.7976931348623157e308, -0.0, 340.10000000000002])
def test_numbers_read_back_as_they_were(value):
    text = line(Point("m,a=b", {"x": value}, 1, 0), 1)
    assert float(text.split(" ")[1].removeprefix("x=")) == value
