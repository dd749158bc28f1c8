"""Invented plates, written into a journal as a unit would: for the bench and the tests.

Everything is drawn from a seed: names, jobs, lots, people, doses, dips of the vacuum, rejects. The
stored sums of light give the recorded dose.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from platelink.events.event import EventName
from platelink.ledger.by import from_ms, to_ms
from platelink.record.journal import Journal
from platelink.runs import Channel, RunChannels, RunEvent, RunStart, SampleBlock

DARK, SLOPE, FRAME_MS = 20.0, 0.0125, 50
VACUUM_STEP_KPA, OVEN_STEP_C, HEAD_STEP_C = 0.01 / 9, 0.0025, 0.002
"""What one count of a frame's mean is worth: values of a converter come again."""
PEOPLE = ("A. Example", "B. Example", "C. Example")
LOTS, SCREENS = ("L-071", "L-072", "L-073", "L-080"), ("example-120", "example-150")
RECIPES = ("plate-a-fine", "plate-b-solid")
ALARMS = ("contact lost", "oven door open", "link lost")
TARGETS = {"film": 210.0, "screen": 140.0, "hardening": 320.0}
LOW_C, HIGH_C = 54.0, 60.0
Write = Callable[[], object]


class Shop:
    """Writes plate after plate; the same seed, the same plates."""

    def __init__(self, journal: Journal, began: datetime, seed: int = 1) -> None:
        self.journal, self.at, self.random = journal, began, random.Random(seed)  # noqa: S311 -- invented
        self.made = 0
        self.calibration = 1
        self._run = ""
        self._n = 0

    def plates(self, count: int, *, samples: bool = True) -> None:
        """So many, one after another, a commit each."""
        for _ in range(count):
            self.plate(samples=samples)

    def plate(self, *, samples: bool = True, name: str | None = None) -> str:
        """One plate; its name."""
        self.made += 1
        draw = self.random
        name = name or f"P-{self.made:06d}"
        job, who = f"job {draw.randrange(1, 1 + self.made // 3 + 2)}", draw.choice(PEOPLE)
        self.at += timedelta(minutes=draw.uniform(5.0, 40.0))
        recipe, revision = draw.choice(RECIPES), draw.randrange(1, 4)
        request: dict[str, Any] = {
            "kind": "plate",
            "recipe": {"id": recipe, "step": [{"name": "screen", "screen": draw.choice(SCREENS)}]},
            "revision": f"{recipe}@{revision}",
            "lot": draw.choice(LOTS),
        }
        note = f"for the press, roller {draw.randrange(100, 999)}" if draw.random() < 0.2 else None
        self.begin(name, "plate", name, who, request, job=job, note=note)
        if draw.random() < 0.15:
            self.alarm(draw.choice(ALARMS))
        for step in ("film", "screen"):
            self.exposure(f"{name}-{step}", step, name, who, job, samples=samples)
        self.bake(f"{name}-dry", name, who, samples=samples)
        self.exposure(f"{name}-hardening", "hardening", name, who, job, samples=samples)
        good = draw.random() < 0.93
        self.event(name, EventName.INSPECTED, judgement="good" if good else "reject", who=who,
                   note="" if good else "recess too shallow")  # fmt: skip
        self.end(
            name, "good" if good else "reject", {
                "judgement": "good" if good else "reject", "defects": [] if good else ["shallow"],
                "deviations": [], "steps": [
                    {"name": "washout", "kind": "wash", "state": "complete", "stages": [
                        {"name": "soak", "planned_s": 25.0, "actual_s": 25.0 + draw.random(),
                         "water_mean_c": 22.0 + draw.random()}]},
                    {"name": "inspect", "kind": "inspect", "state": "complete",
                     "points_um": {"large area": 26.0 + self.made * 7 % 40 / 10.0}}]})  # fmt: skip
        return name

    # --- what is written -------------------------------------------------------------------

    def begin(
        self, run_id: str, step: str, plate: str | None, who: str, request: dict[str, Any],
        **fields: Any,
    ) -> None:  # fmt: skip
        """A run begins now."""
        self.journal.append(
            RunStart(
                **self._common(), run_id=run_id, step=step, plate=plate, operator=who,
                request=request, conditions=self._conditions(), **fields,
            )
        )  # fmt: skip
        self._n = 0

    def end(self, run_id: str, reason: str, data: dict[str, Any], **known: Any) -> None:
        """A run is over now."""
        self.journal.end_run(run_id, self.at, "complete", reason, data=data, **known)

    def event(self, run_id: str | None, name: str, **data: Any) -> None:
        """Something happens now."""
        self.journal.append(RunEvent(**self._common(), run_id=run_id, name=name, data=data))

    def alarm(self, name: str) -> None:
        """An alarm is raised now."""
        self.event(None, EventName.ALARM, alarm=name, to="unacknowledged", act="raised")

    def exposure(
        self, run_id: str, step: str, plate: str | None, who: str, job: str | None = None, *,
        samples: bool = True, values: dict[str, np.typing.NDArray[np.float64]] | None = None,
    ) -> None:  # fmt: skip
        """One exposure; ``values``: irradiance and vacuum of each frame of light instead of drawn
        ones."""
        draw, target = self.random, TARGETS.get(step, 200.0)
        lit = values or self._light(target)
        irradiance = lit["irradiance_mw_cm2"]
        dose = float(irradiance.sum()) * FRAME_MS / 1000.0
        if values is None:
            if draw.random() < 0.9:  # ends at its target
                irradiance *= target * (1.0 + draw.gauss(0.0, 0.0002)) / dose
            irradiance = _in_steps(irradiance, SLOPE / FRAME_MS)
            dose = float(irradiance.sum()) * FRAME_MS / 1000.0
        self.begin(run_id, step, plate, who, {"dose_mj_cm2": target}, job=job,
                   target_dose_mj_cm2=target)  # fmt: skip
        if samples:
            self._samples(run_id, _light_block(self.at, irradiance, lit["vacuum_kpa"]))
        self.event(run_id, EventName.CONTACT_HELD, vacuum_kpa=80.0,
                   pull_down_s=round(draw.uniform(8.0, 14.0), 2))  # fmt: skip
        self.at += timedelta(milliseconds=FRAME_MS * (len(irradiance) + 20))
        self.end(run_id, "the dose fell", {}, dose_mj_cm2=dose, light_s=len(irradiance) * 0.05)

    def bake(self, run_id: str, plate: str | None, who: str, *, samples: bool = True) -> None:
        """One bake, a reading a second."""
        oven_c = self._oven()
        in_band_s = float(((oven_c >= LOW_C) & (oven_c <= HIGH_C))[:-1].sum())
        self.begin(run_id, "dry", plate, who,
                   {"kind": "bake", "low_c": LOW_C, "high_c": HIGH_C})  # fmt: skip
        if samples:
            n = np.arange(len(oven_c))
            self._samples(run_id, SampleBlock(
                ticks=(n + 1) * 1000, at_utc_ms=to_ms(self.at) + n * 1000, raw={},
                values={"oven_c": oven_c, "tick_s": np.full(len(oven_c), 1e-3)},
            ))  # fmt: skip
        self.at += timedelta(seconds=len(oven_c))
        self.end(run_id, f"{in_band_s:.0f} s in band",
                 {"in_band_s": in_band_s, "mean_c": float(oven_c.mean())})  # fmt: skip

    def _light(self, target: float) -> dict[str, np.typing.NDArray[np.float64]]:
        draw = self.random
        level = draw.uniform(8.0, 13.0)
        n = max(20, round(target / level / 0.05))
        t_s = np.arange(n) * 0.05
        noise = np.random.default_rng(draw.randrange(1 << 30))
        irradiance = level * (1.0 - 0.4 * np.exp(-t_s / 1.5)) + noise.normal(0.0, 0.02, n)
        vacuum = draw.uniform(76.0, 84.0) + noise.normal(0.0, 0.05, n)
        if draw.random() < 0.08:
            at, for_s = draw.randrange(n), draw.uniform(0.2, 5.0)
            vacuum[at : at + math.ceil(for_s / 0.05)] -= draw.uniform(5.0, 60.0)
        return {"irradiance_mw_cm2": irradiance, "vacuum_kpa": _in_steps(vacuum, VACUUM_STEP_KPA)}

    def _oven(self) -> np.typing.NDArray[np.float64]:
        draw = self.random
        noise = np.random.default_rng(draw.randrange(1 << 30))
        oven_c = 57.0 + np.cumsum(noise.normal(0.0, 0.05, draw.randrange(300, 420)))
        if draw.random() < 0.1:  # the door
            oven_c[100:140] -= draw.uniform(3.0, 12.0)
        return _in_steps(oven_c, OVEN_STEP_C)

    def _samples(self, run_id: str, block: SampleBlock) -> None:
        columns = tuple(Channel(name=name, unit="") for name in block.values)
        self.journal.append(RunChannels(**self._common(), run_id=run_id, channels=columns))
        self.journal.append_samples(run_id, block, from_ms(int(block.at_utc_ms[-1])))

    def _common(self) -> dict[str, Any]:
        return {"id": self.journal.next_id(), "unit": self.journal.reader.unit, "at_utc": self.at}

    def _conditions(self) -> dict[str, Any]:
        channel = {"name": "head-1", "dark_counts": DARK, "slope_mw_cm2_per_count": SLOPE}
        by = f"light 0@{self.calibration}"
        return {
            "light": {"channels": [channel], "reciprocity_p": 1.0, "tick_s": 1e-3},
            "calibrations": [
                {"sensor": "light 0", "calibration": by},
                {"sensor": "vacuum", "calibration": "vacuum@1"},
                {"sensor": "oven", "calibration": "as configured"},
            ],
            "device": {"firmware": "0.1.0"},
        }


def _in_steps(values: np.typing.NDArray[np.float64], step: float) -> np.typing.NDArray[np.float64]:
    return np.rint(values / step) * step


def _light_block(
    at: datetime,
    irradiance: np.typing.NDArray[np.float64],
    vacuum_kpa: np.typing.NDArray[np.float64],
) -> SampleBlock:
    """Ten dark frames, the light, ten dark ones, with all columns of a unit of one light channel;
    sums exact to a count and frame."""
    lit = np.concatenate([np.zeros(10), irradiance, np.zeros(10)])
    vacuum = np.concatenate([np.linspace(0.0, vacuum_kpa[0], 10), vacuum_kpa, np.zeros(10)])
    counting = np.concatenate([np.zeros(10), np.ones(len(irradiance)), np.zeros(10)])
    index = np.arange(len(lit) + 1)
    counts = np.concatenate([[0.0], (DARK + lit / SLOPE) * FRAME_MS])
    noise = np.random.default_rng(to_ms(at) % (1 << 30))
    least = np.maximum(0.0, DARK + lit / SLOPE - noise.integers(1, 4, len(lit))).astype(np.uint64)
    padded = {
        "irradiance_mw_cm2": lit, "dose_mj_cm2": np.cumsum(lit) * FRAME_MS / 1000.0,
        "vacuum_kpa": vacuum,
        "oven_c": _in_steps(57.0 + noise.normal(0.0, 0.1, len(lit)), OVEN_STEP_C),
        "head_c": _in_steps(24.0 + noise.normal(0.0, 0.02, len(lit)), HEAD_STEP_C),
        "counting": counting,
    }  # fmt: skip
    return SampleBlock(
        ticks=1000 + index * FRAME_MS,
        at_utc_ms=to_ms(at) + index * FRAME_MS,
        raw={
            "light_sum_0": np.rint(np.cumsum(counts)).astype(np.uint64),
            "light_count_0": (index * FRAME_MS).astype(np.uint64),
            "light_min_0": np.concatenate([least[:1], least]),
            "light_max_0": np.concatenate([least[:1], least]) + np.uint64(5),
        },
        values={name: np.concatenate([column[:1], column]) for name, column in padded.items()}
        | {"tick_s": np.full(len(index), 1e-3)},
    )
