"""Shifts against the clock on the wall, as zoneinfo has it (IANA time zone data)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.alerts.duty import OnDuty, Roster, Shift

BERLIN = ZoneInfo("Europe/Berlin")
EVERY_DAY = frozenset(range(7))
YEARS = (datetime(2025, 1, 1), datetime(2028, 1, 1))  # noqa: DTZ001 -- UTC below
ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC")


def shift(begins: str, ends: str, *people: str, days=EVERY_DAY, rank: int = 3, delay_s=60) -> Shift:
    begin, end = time.fromisoformat(begins), time.fromisoformat(ends)
    return Shift("x", people or ("Ruth",), frozenset(days), begin, end, rank, delay_s * 1000)


def roster(*shifts: Shift, zone=BERLIN, **leave) -> Roster:
    return Roster(shifts, leave, zone)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def people(found: Roster, at: str, priority: str = "high") -> list[str]:
    return [one.person for one in found.on_duty(priority, ms(at))]


def test_a_shift_is_on_from_its_first_minute_to_before_its_last() -> None:
    early = roster(shift("06:00", "14:00"))
    assert people(early, "2026-03-02T05:59:59.999+01:00") == []
    assert people(early, "2026-03-02T06:00+01:00") == ["Ruth"]
    assert people(early, "2026-03-02T13:59:59.999+01:00") == ["Ruth"]
    assert people(early, "2026-03-02T14:00+01:00") == []


def test_a_night_belongs_to_the_day_on_which_it_begins() -> None:
    """Sunday's night goes on into Monday; Monday's own is not worked."""
    night = roster(shift("22:00", "06:00", days=[6]))
    assert people(night, "2026-03-01T23:00+01:00") == ["Ruth"]  # a Sunday
    assert people(night, "2026-03-02T05:59+01:00") == ["Ruth"]
    assert people(night, "2026-03-02T23:00+01:00") == []
    assert people(night, "2026-03-01T05:00+01:00") == []


def test_leave_is_of_the_day_on_which_the_shift_begins() -> None:
    away = (date(2026, 12, 24), date(2026, 12, 25))
    night = roster(shift("22:00", "06:00"), Ruth=(away,))
    assert people(night, "2026-12-24T05:00+01:00") == ["Ruth"]
    assert people(night, "2026-12-24T22:00+01:00") == []
    assert people(night, "2026-12-26T05:00+01:00") == []
    assert people(night, "2026-12-26T22:00+01:00") == ["Ruth"]


def test_who_is_in_two_shifts_hears_what_either_hears_and_soonest() -> None:
    both = roster(
        shift("06:00", "14:00", rank=1, delay_s=600), shift("00:00", "00:00", rank=2, delay_s=30)
    )
    assert both.on_duty("high", ms("2026-03-02T08:00+01:00")) == (OnDuty("Ruth", 30_000),)
    assert both.on_duty("medium", ms("2026-03-02T08:00+01:00")) == (OnDuty("Ruth", 30_000),)
    assert both.on_duty("low", ms("2026-03-02T08:00+01:00")) == ()


def test_the_hour_that_is_read_twice_is_worked_twice() -> None:
    """25 October 2026, Berlin: 03:00 summer time is 02:00 (Council Directive 2000/84/EC)."""
    night = roster(shift("02:00", "03:00"))
    on = [m for m in range(0, 6 * 60) if night.on_duty("high", ms("2026-10-25T00:00+02:00")
                                                       + m * 60_000)]  # fmt: skip
    assert len(on) == 120
    assert on == list(range(120, 240))


def test_the_hour_that_is_skipped_is_missed_by_nobody() -> None:
    """29 March 2026, Berlin: 02:00 is 03:00 (the same)."""
    found = roster(shift("22:00", "02:30", "Ruth"), shift("02:30", "06:00", "Omar"))
    assert people(found, "2026-03-29T01:59:59+01:00") == ["Ruth"]
    assert people(found, "2026-03-29T03:00+02:00") == ["Omar"]


@given(
    zone=st.sampled_from(ZONES),
    at=st.datetimes(*YEARS),
    edges=st.lists(st.integers(0, 1439), min_size=1, max_size=5, unique=True),
)
def test_shifts_that_follow_each_other_have_one_person_on_duty_always(zone, at, edges) -> None:
    """A day cut anywhere, in any zone, at any time, on days of DST too."""
    marks = sorted(edges)
    cuts = [time(m // 60, m % 60).isoformat("minutes") for m in marks]
    shifts = [shift(a, b, f"p{i}") for i, (a, b) in enumerate(
        zip(cuts, [*cuts[1:], cuts[0]], strict=True))]  # fmt: skip
    found = roster(*shifts, zone=ZoneInfo(zone))
    at_ms = round(at.replace(tzinfo=UTC).timestamp() * 1000)
    wall = datetime.fromtimestamp(at_ms / 1000, ZoneInfo(zone))
    minute = wall.hour * 60 + wall.minute
    before = [i for i, mark in enumerate(marks) if mark <= minute]
    expected = before[-1] if before else len(marks) - 1
    assert [one.person for one in found.on_duty("low", at_ms)] == [f"p{expected}"]


@settings(max_examples=25)
@given(
    zone=st.sampled_from(ZONES),
    at=st.datetimes(*YEARS),
    begin=st.integers(0, 1439), end=st.integers(0, 1439),
    days=st.frozensets(st.integers(0, 6), min_size=1),
)  # fmt: skip
def test_whoever_comes_on_duty_does_so_at_one_of_the_moments(zone, at, begin, end, days) -> None:
    """But for a shift that begins within the hour that the clock skips: it begins after it."""
    one = shift(f"{begin // 60:02}:{begin % 60:02}", f"{end // 60:02}:{end % 60:02}", days=days)
    found = roster(one, zone=ZoneInfo(zone))
    first = round(at.replace(tzinfo=UTC).timestamp() * 1000) // 60_000 * 60_000
    until = first + 2 * 86_400_000
    moments = set(found.moments(first, until))
    offsets = {found.wall(t).utcoffset() for t in range(first, until, 1_800_000)}
    if len(offsets) > 1:
        return
    was = bool(found.on_duty("low", first))
    for at_ms in range(first + 60_000, until, 60_000):
        on = bool(found.on_duty("low", at_ms))
        assert not (on and not was) or at_ms in moments
        was = on


def test_the_day_whose_summary_is_due() -> None:
    found = roster()
    assert found.slot(time(6), ms("2026-03-02T05:59+01:00"))[0] == date(2026, 3, 1)
    day, at_ms = found.slot(time(6), ms("2026-03-02T06:00+01:00"))
    assert (day, at_ms) == (date(2026, 3, 2), ms("2026-03-02T06:00+01:00"))


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_a_summary_within_the_hour_of_dst_is_due_once_that_day(day: str) -> None:
    found = roster()
    seen = set()
    start = ms(f"{day}T00:00+01:00") - 3_600_000
    for at_ms in range(start, start + 26 * 3_600_000, 60_000):
        seen.add(found.slot(time(2, 30), at_ms))
    assert len({at for _, at in seen if found.wall(at).date() == date.fromisoformat(day)}) == 1
    assert len(seen) == len({d for d, _ in seen})


def test_gaps_are_told_to_the_minute() -> None:
    """Nobody on Sunday nights."""
    weekday = shift("06:00", "06:00", days=[0, 1, 2, 3, 4, 5])
    sunday = shift("06:00", "22:00", days=[6])
    found = roster(weekday, sunday)
    start = ms("2026-03-02T00:00+01:00")  # a Monday
    gaps = found.gaps("high", start, 7)
    assert gaps == [
        (start, start + 6 * 3_600_000),
        (ms("2026-03-08T22:00+01:00"), ms("2026-03-09T00:00+01:00")),
    ]
    assert roster(shift("00:00", "00:00")).gaps("low", start, 7) == []
    away = roster(shift("00:00", "00:00"), Ruth=((date(2026, 3, 4), date(2026, 3, 4)),))
    assert [(b - a) // 3_600_000 for a, b in away.gaps("high", start, 7)] == [24]
    assert timedelta(milliseconds=gaps[1][1] - gaps[1][0]) == timedelta(hours=2)
