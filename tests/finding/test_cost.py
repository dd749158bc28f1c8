"""Scrap and cost: what is known, what is not, and an interval held against scipy's."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from scipy.stats import binomtest

from platelink.finding.cost import Prices, cost, scrap_interval
from platelink.record.stored import SpentPlate

SINCE, UNTIL = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
PRICES = Prices(60.0, 1.2, 0.5, "EUR")


def plate(verdict: str = "good", *, complete: bool = True, **more: Any) -> SpentPlate:
    values = {"area_cm2": 1000.0, "light_s": 90.0, "hand_s": 180.0} | more
    return SpentPlate(plate="p", complete=complete, verdict=verdict, **values)


def of(plates: list[SpentPlate], prices: Prices = PRICES) -> Any:
    return cost(plates, 0.0, prices, since=SINCE, until=UNTIL)


@pytest.mark.parametrize(("scrap", "decided"), [(0, 5), (1, 20), (9, 90), (20, 20), (333, 1000)])
def test_the_interval_is_wilsons(scrap: int, decided: int) -> None:
    wilson = binomtest(scrap, decided).proportion_ci(0.95, method="wilson")
    found = scrap_interval(scrap, decided)
    assert found == pytest.approx((wilson.low, wilson.high), abs=1e-9)


def test_all_that_was_taken_is_shared_by_the_good_ones() -> None:
    found = of([plate(), plate(), plate("reject"), plate("", complete=False), plate("")])
    assert (found.plates, found.good, found.scrap, found.undecided) == (5, 2, 2, 1)
    assert found.scrap_share == 0.5
    # 5 · 0.1 m² · 60 + 5 · 90 s · 1.2 / 3600 + 5 · 3 min · 0.5, over two
    assert found.total == pytest.approx(30.0 + 0.15 + 7.5)
    assert found.good_plate == pytest.approx(found.total / 2)
    assert found.not_known == []


def test_a_plate_judged_good_that_did_not_come_to_its_end_is_scrap() -> None:
    assert of([plate("good", complete=False)]).scrap == 1


def test_no_price_is_not_nothing() -> None:
    found = of([plate()], Prices(stock_per_m2=60.0))
    assert [one.cost for one in found.parts] == [pytest.approx(6.0), None, None]
    assert found.good_plate == pytest.approx(6.0)
    assert [text.split(" has")[0] for text in found.not_known] == ["light", "work"]
    nothing = of([plate()], Prices())
    assert nothing.total is None and nothing.good_plate is None


def test_what_is_not_on_record_is_not_nothing() -> None:
    found = of([plate(), plate(area_cm2=None, light_s=None)])
    assert [one.unknown for one in found.parts] == [1, 1, 0]
    assert found.not_known[0] == "stock of 1 of 2 plates is not on record"
    bare = of([plate(area_cm2=None)])
    assert bare.parts[0].cost is None  # of no plate is it known


def test_without_a_plate_or_a_good_one_nothing_is_shared() -> None:
    assert of([]).scrap_share is None and of([]).good_plate is None
    rejects = of([plate("reject")])
    assert rejects.good_plate is None and rejects.total is not None
    assert of([plate("")]).scrap_share is None  # judged by nobody
