"""Maintenance: what is due, since when, and what was never counted."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from platelink.finding.due import nothing_measures, standing
from platelink.recipe.entries import About, Act, Entry
from platelink.recipe.upkeep import Item, ItemNow, item_now
from platelink.record.stored import Use

T0 = datetime(2026, 3, 1, 8, tzinfo=UTC)


def at(days: float) -> datetime:
    return T0 + timedelta(days=days)


def now_of(**intervals: Any) -> ItemNow:
    return ItemNow(Item(name="seal", **intervals), T0, (), None)


def exposures(count: int, light_s: float | None = 30.0) -> list[Use]:
    return [Use(at(n), exposure=True, light_s=light_s) for n in range(1, count + 1)]


def test_it_is_due_from_the_run_that_reached_its_interval() -> None:
    item = now_of(exposures=5)
    assert standing(item, exposures(4), [], at_utc=at(9)).due_since is None
    stands = standing(item, exposures(7), [], at_utc=at(9))
    assert stands.due_since == at(5)
    assert [(one.used, one.limit, one.text) for one in stands.intervals] == [
        (7.0, 5.0, "exposures 7 of 5")
    ]


def test_light_is_counted_in_hours_and_the_first_interval_reached_counts() -> None:
    item = now_of(lamp_h=1.0, days=4)
    stands = standing(item, exposures(6, light_s=900.0), [], at_utc=at(6))
    assert [one.due_since for one in stands.intervals] == [at(4), at(4)]
    early = standing(item, exposures(6, light_s=1800.0), [], at_utc=at(6))
    assert (early.due_since, early.intervals[0].used) == (at(2), 3.0)
    by_days = standing(item, [], [], at_utc=at(4) - timedelta(seconds=1))
    assert by_days.due_since is None
    assert standing(item, [], [], at_utc=at(4)).due_since == at(4)


def test_what_is_not_on_record_is_not_counted_as_nothing() -> None:
    dark = standing(now_of(lamp_h=1.0), exposures(3, light_s=None), [], at_utc=at(9))
    assert dark.due_since is None and not dark.sure
    assert dark.intervals[0].text == "light 0.0 of 1 h, 3 not known"
    washed = [Use(at(1), plate=True, washed_cm2=None), Use(at(2), plate=True, washed_cm2=2e4)]
    plates = standing(now_of(washed_m2=3.0, plates=10), washed, [], at_utc=at(9))
    assert not plates.sure and [one.used for one in plates.intervals] == [2.0, 2.0]
    assert standing(now_of(washed_m2=2.0), washed, [], at_utc=at(9)).sure  # due, whatever the other
    unwashed = [Use(at(1), plate=True, washed_cm2=0.0)]
    assert standing(now_of(washed_m2=3.0), unwashed, [], at_utc=at(9)).sure


def test_it_starts_over_when_done_or_when_the_record_tells() -> None:
    item = now_of(exposures=5)
    stands = standing(item, exposures(7), [at(3.5)], at_utc=at(9))
    assert (stands.since_utc, stands.intervals[0].used, stands.due_since) == (at(3.5), 4.0, None)
    # one that is told of a time to come, by a clock that was wrong, starts nothing over
    assert standing(item, exposures(7), [at(10)], at_utc=at(9)).due_since == at(5)


def test_an_item_is_told_by_its_entries() -> None:
    added = Item(name="seal", exposures=5, last_done_on=date(2026, 2, 1)).model_dump(mode="json")

    def entry(number: int, act: Act, body: dict[str, Any], why: str = "") -> Entry:
        return Entry(number, About.ITEM, "seal", act, at(number), "Otto", why, None, body)

    first = item_now([entry(1, Act.ADDED, added)])
    assert first.since_utc.astimezone().date() == date(2026, 2, 1)
    whole = item_now(
        [
            entry(1, Act.ADDED, added), entry(2, Act.DONE, {}, "new seal"),
            entry(3, Act.CHANGED, {"exposures": None, "days": 30}, "by the papers"),
            entry(4, Act.CLOSED, {}, "sold"),
        ]
    )  # fmt: skip
    assert whole.since_utc == at(2) and whole.closed == "sold"
    assert [(one.who, one.note) for one in whole.done] == [("Otto", "new seal")]
    assert (whole.item.exposures, whole.item.days) == (None, 30)


def test_an_item_that_nothing_would_ever_make_due_is_refused() -> None:
    with pytest.raises(ValidationError, match="needs an interval"):
        Item(name="seal")
    item = Item(name="brushes", washed_m2=40.0)
    bare = [Use(at(n), plate=True, washed_cm2=None) for n in range(3)]
    assert "nothing measures washed_m2: of 3 plates" in nothing_measures(item, bare)
    assert nothing_measures(item, [*bare, Use(at(4), plate=True, washed_cm2=600.0)]) == ""
    assert nothing_measures(item, []) == ""  # nothing was made yet
    assert nothing_measures(Item(name="seal", days=3), bare) == ""
