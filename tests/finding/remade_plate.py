"""An invented plate on record and the unit that made it, for tests of making it again."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from record import make

from platelink.events.event import Event
from platelink.events.light import ContactHeld
from platelink.events.steps import Inspected, StageEnded
from platelink.recipe.dither import dither_pct, for_plate
from platelink.recipe.model import Recipe
from platelink.recipe.steps import ExposeStep
from platelink.record.journal import Journal
from platelink.runs import Channel, RunChannels
from platelink.simulated.plates import example

CONFIG = """
format = 1
[unit]
name = "unit-1"
[link]
port = "/dev/no-such-port"
[light]
expected_mw_cm2 = 12
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = {slope}
calibrated_on = 2026-01-15
due_on = 2126-01-15
[vacuum]
kpa_low = "0 kPa"
kpa_high = "-100 kPa"
[oven]
sensor = "linear"
mv_per_c = 10.0
[contact]
low_kpa = 50
high_kpa = 90
hold_test_s = 4
[exposure]
max_exposure_s = {limit_s}
[journal]
path = "journal.sqlite"
"""
SLOPE = 0.0149
P1, REVISION = "P-1", "plate-a-fine@1"
T0 = make.T0


def config(slope: float = SLOPE, limit_s: float = 1800.0) -> str:
    return CONFIG.format(slope=slope, limit_s=limit_s)


def recipe(**changes: Any) -> Recipe:
    """An example of the product's own, all invented."""
    return replaced(example(), **changes)


def replaced(of: Recipe, **changes: Any) -> Recipe:
    return Recipe.model_validate(of.content() | changes)


def conditions(settings: dict[str, Any], slope: float, name: str, law: Any) -> dict[str, Any]:
    """As the shell writes them into each run's start."""
    channel = settings["light"]["channel"][0] | {"slope_mw_cm2_per_count": slope}
    p, reference = law
    return {
        "calibrations": [{"sensor": "light 0", "calibration": name, "made_on": "2026-01-15"},
                         {"sensor": "oven", "calibration": "as configured"}],
        "light": {"channels": [channel], "reciprocity_p": p, "reference_mw_cm2": reference},
        "config": settings,
    }  # fmt: skip


class Maker:
    """Writes plates into a journal, as light of a strength makes them."""

    def __init__(self, journal: Journal, settings: dict[str, Any]) -> None:
        self.journal, self.settings = journal, settings
        self.slope, self.name = settings["light"]["channel"][0]["slope_mw_cm2_per_count"], (
            "as configured")  # fmt: skip
        self.law: tuple[float, float] = (1.0, 10.0)
        self.vacuum_kpa, self.oven_c = 78.0, 58.0
        self.at = T0
        self._runs = 0

    def _put(self, run_id: str | None, what: Event) -> None:
        self.journal.append(
            make.event(self.journal, run_id, name=what.name, data=what.data(), at=self.at)
        )

    def _conditions(self) -> dict[str, Any]:
        return conditions(self.settings, self.slope, self.name, self.law)

    def exposure(
        self, step: str, dose: float, irradiance: float, *, plate: str | None = None,
        contact: bool = True, dither_pct: float = 0.0,
    ) -> str:  # fmt: skip
        """Of light that is even; its dose and irradiance as the unit reads them."""
        self._runs += 1
        run_id, light_s = f"r{self._runs}", dose / self.rate(irradiance)
        self.journal.append(make.start(
            self.journal, run_id, self.at, step=step, plate=plate,
            target_dose_mj_cm2=dose, conditions=self._conditions(),
            request={"dither_pct": dither_pct} if dither_pct else {},
        ))  # fmt: skip
        names = ("irradiance_mw_cm2", "vacuum_kpa", "counting")
        self.journal.append(RunChannels(
            **make.common(self.journal, self.at), run_id=run_id,
            channels=tuple(Channel(name=name, unit="1") for name in names),
        ))  # fmt: skip
        if contact:
            self._put(run_id, ContactHeld(vacuum_kpa=self.vacuum_kpa, pull_down_s=5.0))
        self.journal.append_samples(run_id, self._block(irradiance, contact), self.at)
        self.at += timedelta(seconds=light_s)
        self.journal.end_run(
            run_id, self.at, "complete", "target dose reached", dose_mj_cm2=dose, light_s=light_s,
            data={"lamps": {"starts": 1, "level_at_s": light_s, "irradiance_mw_cm2": irradiance,
                            "channels_mw_cm2": [irradiance]}},
        )  # fmt: skip
        return run_id

    def rate(self, irradiance: float) -> float:
        p, reference = self.law
        return float(reference * (irradiance / reference) ** p)

    def _block(self, irradiance: float, contact: bool) -> Any:
        block = make.block(40)
        n = len(block)
        ms = int(self.at.timestamp() * 1000) + np.arange(n) * 50
        values = {
            "irradiance_mw_cm2": np.full(n, irradiance),
            "vacuum_kpa": np.full(n, self.vacuum_kpa if contact else 0.0),
            "counting": np.ones(n),
        }
        return replace(block, at_utc_ms=ms.astype(np.int64), values=values)

    def bake(self, step: Any, *, plate: str | None = None, in_band_s: float) -> str:
        self._runs += 1
        run_id = f"b{self._runs}"
        asked = {"kind": "bake", "low_c": step.low_c, "high_c": step.high_c}
        self.journal.append(make.start(
            self.journal, run_id, self.at, step=step.name, plate=plate, request=asked,
            conditions=self._conditions(),
        ))  # fmt: skip
        self.at += timedelta(seconds=in_band_s)
        self.journal.end_run(
            run_id, self.at, "complete", "time in the band reached",
            data={"in_band_s": in_band_s, "mean_c": self.oven_c},
        )  # fmt: skip
        return run_id

    def plate(
        self, name: str, of: Recipe, irradiance: float, *, revision: str = REVISION,
        lot: str | None = "lot-a", in_band_s: float = 840.0, soak_s: float = 25.0,
        state: Any = "complete", doses: dict[str, float] | None = None, depth_um: float = 30.0,
    ) -> None:  # fmt: skip
        """A whole plate, its steps one after the other."""
        request = {"kind": "plate", "recipe": of.content(), "revision": revision, "lot": lot,
                   "area_cm2": 300.0}  # fmt: skip
        self.journal.append(make.start(
            self.journal, name, self.at, step="plate", plate=name, operator="A. Example",
            request=request, conditions=self._conditions(),
        ))  # fmt: skip
        for step in of.step:
            match step.kind:
                case "expose":
                    own = for_plate(step, name)
                    assert isinstance(own, ExposeStep)
                    dose = (doses or {}).get(step.name, own.dose_mj_cm2)
                    self.exposure(
                        step.name, dose, irradiance, plate=name, contact=step.contact is not None,
                        dither_pct=dither_pct(step, name),
                    )  # fmt: skip
                case "bake":
                    self.bake(step, plate=name, in_band_s=in_band_s)
                case "wash":
                    for stage in step.stage:
                        took = soak_s if stage.name == "soak" else stage.duration_s
                        self._put(name, StageEnded(
                            name_=stage.name, verdict="in time", planned_s=stage.duration_s,
                            actual_s=took, held_s=0.0, unattended_s=0.0,
                            water_mean_c=24.0, water_min_c=23.5, water_max_c=24.5, who="A. Example",
                        ))  # fmt: skip
        points = {"large area": depth_um}
        self._put(name, Inspected("good", points, {}, (), "", "A. Example"))
        inspected = {"name": "inspect", "kind": "inspect", "points_um": points}
        self.journal.end_run(name, self.at, state, "done",
                             data={"judgement": "good", "steps": [inspected]})  # fmt: skip


def begin(directory: Path, settings: dict[str, Any]) -> Maker:
    return Maker(make.journal_at(directory / "journal.sqlite"), settings)


def day(days: float) -> datetime:
    return T0 + timedelta(days=days)
