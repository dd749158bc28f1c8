"""The chart of a sensor's calibrations: what it shows is what was recorded."""

import pytest
from browser.documents import calibration

from platelink.contract.calibrations import Calibration
from platelink.web.calibrations import HEIGHT, WIDTH, chart_of


def made(revision: int, day: str, **more: object) -> Calibration:
    at_utc = f"{day}T09:00:00.000+00:00"
    one = calibration(revision, "approved", approved_by="A. Example", finished_utc=at_utc, **more)
    return Calibration.model_validate(one)


def test_light_is_shown_as_the_change_of_its_gain_since_the_first() -> None:
    chart = chart_of([
        made(1, "2025-01-15", gain=0.0150), made(2, "2025-07-15", gain=0.0153),
        made(3, "2026-01-15", gain=0.0120, cause="new sensor"),
    ])  # fmt: skip
    assert chart is not None and chart.unit == "%"
    first, second, third = chart.points
    assert first.y == chart.zero == HEIGHT / 2.0
    assert second.y < first.y < third.y  # up is more
    assert third.text == "light 0@3: -20.00 ± 7.00 %"
    assert (first.x < second.x < third.x) and third.x < WIDTH
    assert second.x - first.x == pytest.approx(third.x - second.x, rel=0.03)  # by date
    for point in chart.points:
        assert point.high < point.y < point.low  # the bar is about the point
        assert point.high >= 0.0 and point.low <= HEIGHT


def test_others_are_shown_as_what_is_added_at_the_highest_level() -> None:
    oven = {"sensor": "oven", "unit": "°C", "u": 0.4}
    chart = chart_of([
        made(1, "2025-01-15", gain=1.01, offset=-0.5, top=100.5, **oven),  # of 100 °C: + 0.5
        made(2, "2026-01-15", gain=1.0, offset=1.2, top=101.2, **oven),
    ])  # fmt: skip
    assert chart is not None and chart.unit == "°C"
    assert [p.text.partition(": ")[2] for p in chart.points] == [
        "+0.50 ± 0.40 °C",
        "+1.20 ± 0.40 °C",
    ]


def test_what_was_never_approved_is_no_point() -> None:
    one = made(1, "2025-01-15")
    reading = Calibration.model_validate(calibration(2, "reading"))
    assert chart_of([one, reading]) is None
    assert chart_of([]) is None
