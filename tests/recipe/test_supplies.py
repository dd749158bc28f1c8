"""Lots and screens: what they are now, and whether a plate may use them."""

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from platelink.recipe.entries import About, Act, Entry
from platelink.recipe.supplies import (
    FilmNow,
    Lot,
    LotNow,
    Screen,
    ScreenNow,
    film_findings,
    film_now,
    lot_findings,
    lot_now,
    never_opened,
    screen_findings,
    screen_now,
)
from recipe.make import FILM, LOT, SCREEN, T0

LAST = LOT.best_before
assert LAST is not None


def entries(about: About, *acts: tuple[Act, dict[str, Any]]) -> list[Entry]:
    return [
        Entry(i, about, "x", act, T0, "A. Example", "why", None, body)
        for i, (act, body) in enumerate(acts, 1)
    ]


def findings(now: LotNow, **more: Any) -> list[tuple[str, bool]]:
    asked = {"stock": LOT.stock, "area_cm2": 100.0, "today": LAST, "expired": "block"} | more
    return [(f.name, f.blocks) for f in lot_findings(now, **asked)]


FRESH = LotNow(LOT, None, LOT.area_cm2, 0, None)


def test_a_lot_is_good_on_its_last_day_and_expired_after_it() -> None:
    assert findings(FRESH) == []
    after = LAST + timedelta(days=1)
    assert findings(FRESH, today=after) == [("lot expired", True)]
    assert findings(FRESH, today=after, expired="warn") == [("lot expired", False)]
    (found,) = lot_findings(FRESH, stock=None, area_cm2=1.0, today=after, expired="warn")
    assert found.text == (
        "lot L-17 was good until 2026-08-01, today is 2026-08-02; take another, or test it "
        "and change its date, with a reason"
    )


def test_what_else_stands_against_a_lot() -> None:
    assert findings(FRESH, stock="other") == [("wrong stock", False)]
    assert findings(FRESH, stock=None) == []
    assert findings(FRESH, area_cm2=10_000.0) == []
    assert findings(FRESH, area_cm2=10_000.1) == [("not enough area", False)]
    assert findings(FRESH, today=date(2026, 1, 31)) == [("lot not received", False)]
    closed = LotNow(LOT, None, 5.0, 3, "used up")
    assert findings(closed) == [("lot closed", False), ("not enough area", False)]
    assert findings(LotNow(LOT, None, 0.0, 3, None), area_cm2=0.0) == [("lot used up", False)]
    assert findings(LotNow(LOT, None, 0.1, 3, None), area_cm2=0.0) == []


def test_whatever_stands_against_a_lot_is_asked_or_refused() -> None:
    for now in (FRESH, LotNow(LOT, None, -1.0, 3, None), LotNow(LOT, None, 5.0, 3, "torn")):
        for today in (date(2026, 1, 1), LAST + timedelta(days=1)):
            for expired in ("warn", "block"):
                found = lot_findings(
                    now, stock="other", area_cm2=100.0, today=today, expired=expired
                )
                assert found and all(one.asks != one.blocks for one in found)


def test_what_stands_against_a_screen() -> None:
    def found(uses: int, closed: str | None = None, wanted: str | None = SCREEN.name):
        now = ScreenNow(SCREEN, uses, closed)
        return [(f.name, f.blocks) for f in screen_findings(now, wanted=wanted)]

    assert found(1) == []
    assert found(2) == [("screen worn", False)]
    assert found(0, "scratched") == [("screen closed", True)]
    assert found(0, wanted="another") == [("wrong screen", True)]
    assert found(0, wanted=None) == []


@given(st.lists(st.floats(0.01, 1e4), max_size=8), st.floats(0.0, 1e5))
def test_area_is_what_came_or_was_counted_less_what_was_used_since(
    used: list[float], counted: float
) -> None:
    uses = [(Act.USED, {"area_cm2": area}) for area in used]
    body = LOT.model_dump(mode="json")
    now = lot_now(entries(About.LOT, (Act.ADDED, body), *uses))
    assert now.area_left_cm2 == pytest.approx(LOT.area_cm2 - sum(used))
    assert now.uses == len(used)
    again = [(Act.ADDED, body), *uses, (Act.COUNTED, {"area_cm2": counted}), *uses]
    assert lot_now(entries(About.LOT, *again)).area_left_cm2 == pytest.approx(counted - sum(used))


def test_what_was_done_to_a_lot_shows() -> None:
    now = lot_now(
        entries(
            About.LOT,
            (Act.ADDED, LOT.model_dump(mode="json")),
            (Act.OPENED, {"opened_on": "2026-02-03"}),
            (Act.CHANGED, {"best_before": "2027-01-01"}),
            (Act.CHANGED, {"note": "tested"}),
            (Act.CLOSED, {}),
        )
    )
    assert now.lot == LOT.model_copy(update={"best_before": date(2027, 1, 1), "note": "tested"})
    assert (now.opened_on, now.closed) == (date(2026, 2, 3), "why")


def test_what_was_done_to_a_screen_shows() -> None:
    body = SCREEN.model_dump(mode="json")
    acts = [(Act.ADDED, body), (Act.USED, {}), (Act.USED, {}), (Act.CHANGED, {"max_uses": 9})]
    now = screen_now(entries(About.SCREEN, *acts))
    assert (now.screen.max_uses, now.uses, now.closed) == (9, 2, None)


def test_quantities_of_lots_and_screens_as_people_type_them() -> None:
    lot = Lot.model_validate(LOT.model_dump() | {"area_cm2": "1.2 m2"})
    assert lot.area_cm2 == 12_000.0
    screen = Screen.model_validate(SCREEN.model_dump() | {"ruling_lines_per_cm": "254 lpi"})
    assert screen.ruling_lines_per_cm == 100.0
    with pytest.raises(ValidationError):
        Screen.model_validate(SCREEN.model_dump() | {"tint_pct": 100.0})


@pytest.mark.parametrize(("expired", "blocks"), [("block", True), ("warn", False)])
def test_a_lot_open_for_too_long_is_refused_or_owes_a_reason(expired: str, blocks: bool) -> None:
    opened = date(2026, 3, 1)
    now = LotNow(LOT.model_copy(update={"max_days_open": 30}), opened, 9_000.0, 1, None)
    last = opened + timedelta(days=30)
    assert findings(now, today=last, expired=expired) == []
    assert findings(now, today=last + timedelta(days=1), expired=expired) == [
        ("lot open too long", blocks)
    ]
    (found,) = lot_findings(
        now, stock=None, area_cm2=1.0, today=last + timedelta(days=1), expired=expired
    )
    assert found.asks == found.owes_why == (not blocks)
    assert found.text.startswith("lot L-17 has been open for 31 days, it is good for 30;")


def test_a_limit_of_days_open_asks_when_nobody_said_when_it_was_opened() -> None:
    limited = LOT.model_copy(update={"max_days_open": 30})
    (asked,) = [never_opened(LotNow(limited, None, 1.0, 0, None))]
    assert asked is not None and asked.asks and asked.name == "lot opening unknown"
    assert never_opened(LotNow(LOT, None, 1.0, 0, None)) is None
    assert never_opened(LotNow(limited, date(2026, 3, 1), 1.0, 0, None)) is None


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "name"),
    [
        (10.0, None, None), (25.0, None, None), (9.9, None, "at least 10 °C"),
        (25.1, None, "at most 25 °C"), (None, 60.0, None), (None, 60.1, "at most 60 % RH"),
        (20.0, 61.0, "at most 60 % RH"),
    ],
)  # fmt: skip
def test_a_store_outside_its_limits_stands_against_the_lot(
    temp_c: float | None, rh_pct: float | None, name: str | None
) -> None:
    limits = {"store_low_c": 10.0, "store_high_c": 25.0, "store_high_rh_pct": 60.0}
    body = {k: v for k, v in (("temp_c", temp_c), ("rh_pct", rh_pct)) if v is not None}
    told = entries(
        About.LOT, (Act.ADDED, LOT.model_dump(mode="json") | limits), (Act.KEPT, body),
        (Act.KEPT, {"temp_c": 20.0}),
    )  # fmt: skip
    found = lot_findings(
        lot_now(told), stock=None, area_cm2=1.0, today=LAST, expired="warn"
    )  # what a later reading finds in order does not undo it
    assert [one.name for one in found] == ([] if name is None else ["lot stored badly"])
    assert name is None or name in found[0].text


def test_limits_of_a_store_that_nobody_reads_are_told_as_such() -> None:
    limited = LOT.model_copy(update={"store_high_c": 25.0})
    assert findings(LotNow(limited, None, 9_000.0, 0, None)) == [("store not read", False)]
    with pytest.raises(ValidationError, match="is not below"):
        Lot.model_validate(LOT.model_dump() | {"store_low_c": 25.0, "store_high_c": 25.0})


def test_what_stands_against_a_film() -> None:
    def found(now: FilmNow, least: float | None = None, today: date = LAST) -> list[Any]:
        told = film_findings(now, least_density=least, today=today)
        return [(f.name, f.blocks, f.asks, f.owes_why) for f in told]

    fresh = FilmNow(FILM, 0, None)
    assert found(fresh) == found(fresh, 4.1) == []
    assert found(fresh, 4.2) == [("film too thin", False, True, True)]
    unmeasured = FilmNow(FILM.model_copy(update={"density": None}), 0, None)
    assert found(unmeasured) == []
    assert found(unmeasured, 3.5) == [("film density unknown", False, True, False)]
    assert found(FilmNow(FILM, 1, None)) == []
    assert found(FilmNow(FILM, 2, None)) == [("film worn", False, False, False)]
    assert found(FilmNow(FILM, 0, "scratched")) == [("film closed", True, False, False)]
    assert found(fresh, today=date(2026, 1, 31)) == [("film not made yet", False, True, False)]


def test_what_was_done_to_a_film_shows() -> None:
    values = FILM.model_dump(mode="json")
    now = film_now(
        entries(
            About.FILM, (Act.ADDED, values), (Act.USED, {}), (Act.USED, {}),
            (Act.CHANGED, {"density": 3.9}), (Act.CLOSED, {}),
        )
    )  # fmt: skip
    assert now == FilmNow(FILM.model_copy(update={"density": 3.9}), 2, "why")
