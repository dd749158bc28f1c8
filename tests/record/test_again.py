"""Band minutes and contact found again: what agrees, and each way in which a record can lie."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.control.steps.oven import OvenMeter
from platelink.record.again import in_band
from platelink.record.check import CheckResult
from platelink.runs import SampleBlock
from platelink.simulated.invented import HIGH_C, LOW_C, Shop
from record.make import T0, journal_at

CONTACT = {"low_kpa": 56.0, "high_kpa": 89.0}


def checked(path: Path, write: Any, run_id: str) -> CheckResult:
    with journal_at(path / "journal.sqlite") as journal:
        write(Recording(journal, T0, 3))
        found = journal.reader.check(run_id)
    assert found is not None
    return found


class Recording(Shop):
    """A shop that can claim other than what is so."""

    claimed: float | None = None

    def end(self, run_id: str, reason: str, data: dict[str, Any], **known: Any) -> None:
        if self.claimed is not None and "in_band_s" in data:
            data = data | {"in_band_s": self.claimed}
        super().end(run_id, reason, data, **known)

    def under(self, plate: str, contact: Any) -> None:
        recipe = {"id": "fine", "step": [{"name": "film", "contact": contact}]}
        self.begin(plate, "plate", plate, "A. Example", {"kind": "plate", "recipe": recipe})


def bake(claimed: float | None) -> Any:
    def write(shop: Recording) -> None:
        shop.claimed = claimed
        shop.bake("bake", None, "A. Example")

    return write


def test_a_bake_agrees_with_its_readings(tmp_path: Path) -> None:
    found = checked(tmp_path, bake(None), "bake")
    assert found.ok and found.recorded_in_band_s == pytest.approx(found.again_in_band_s, abs=4.0)


def test_more_in_band_than_the_readings_show_is_not_confirmed(tmp_path: Path) -> None:
    found = checked(tmp_path, bake(900.0), "bake")
    assert not found.ok and "900 s in band are recorded, the readings show" in found.verdict


def test_less_than_they_show_may_have_been_held(tmp_path: Path) -> None:
    assert checked(tmp_path, bake(20.0), "bake").ok


@given(st.lists(st.floats(50.0, 64.0), min_size=2, max_size=80))
def test_seconds_in_band_are_those_of_the_controller(oven_c: list[float]) -> None:
    """Two codes of one definition: a straight line between two readings."""
    meter = OvenMeter(low_c=LOW_C, high_c=HIGH_C, gap_limit_s=5.0)
    at_ms = np.cumsum([1000 if i % 7 else 6000 for i in range(len(oven_c))]).astype(np.int64)
    for at, value in zip(at_ms.tolist(), oven_c, strict=True):
        meter.add(at / 1000.0, value)
    found, _ = in_band(
        SampleBlock(at_ms, at_ms, {}, {"oven_c": np.array(oven_c)}), LOW_C, HIGH_C, 5.0
    )
    assert found == pytest.approx(meter.totals.in_band_s, abs=1e-6)


def light(dip_s: float, contact: Any = CONTACT, *, cause: str | None = None) -> Any:
    """An exposure whose vacuum is down for so long, of a plate that asks for contact."""

    def write(shop: Recording) -> None:
        shop.under("P", contact)
        vacuum = np.full(400, 80.0)
        vacuum[100 : 100 + round(dip_s / 0.05)] = 40.0
        values = {"irradiance_mw_cm2": np.full(400, 10.5), "vacuum_kpa": vacuum}
        if cause is not None:
            told, end = shop.event, shop.end

            def ended(run_id: str, *rest: Any, **known: Any) -> None:
                told(run_id, "holding", cause=cause)
                end(run_id, *rest, **known)

            shop.end = ended  # type: ignore[method-assign]
        shop.exposure("film", "film", "P", "A. Example", values=values)

    return write


@pytest.mark.parametrize("dip_s", [0.0, 0.5, 1.0])
def test_contact_that_was_kept_or_held_in_time_is_confirmed(tmp_path: Path, dip_s: float) -> None:
    found = checked(tmp_path, light(dip_s), "film")
    assert found.ok, found.verdict
    assert found.out_of_contact_s == pytest.approx(max(0.0, dip_s - 0.05), abs=1e-6)


def test_contact_lost_without_a_word_is_not_confirmed(tmp_path: Path) -> None:
    found = checked(tmp_path, light(3.0), "film")
    assert not found.ok
    assert "out of 56.0 to 89.0 kPa for 3.0 s of light (down to 40.0 kPa)" in found.verdict


def test_contact_lost_and_told_is_confirmed(tmp_path: Path) -> None:
    assert checked(tmp_path, light(3.0, cause="sudden"), "film").ok


def test_where_no_contact_was_asked_for_nothing_is_said_of_it(tmp_path: Path) -> None:
    found = checked(tmp_path, light(3.0, None), "film")
    assert found.ok and found.out_of_contact_s is None


def test_a_journal_of_other_names_is_judged_by_its_configuration(tmp_path: Path) -> None:
    def write(shop: Recording) -> None:
        conditions = shop._conditions()
        conditions["config"] = {"contact": CONTACT}
        shop._conditions = lambda: conditions  # type: ignore[method-assign]
        begin = shop.begin
        shop.begin = lambda *a, **k: begin(*a[:4], {**a[4], "contact": True}, **k)  # type: ignore
        values = {"irradiance_mw_cm2": np.full(100, 10.0), "vacuum_kpa": np.full(100, 30.0)}
        shop.exposure("lone", "film", None, "A. Example", values=values)

    assert "down to 30.0 kPa" in checked(tmp_path, write, "lone").verdict
