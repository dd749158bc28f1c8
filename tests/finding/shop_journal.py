"""An invented shop's plates in a journal: what was recorded of each, and how deep it came out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from record.make import event, journal_at, later, start

from platelink.events.event import Event
from platelink.events.light import ContactHeld, ContactWeaker
from platelink.events.steps import BakeEnded, Inspected
from platelink.record.journal import Journal

EVERY_S = 7200.0
DOSE, LIGHT_S = 240.0, 40.0
CONDITIONS = {"calibrations": [{"sensor": "light 0", "calibration": "light 0@1"}]}


def recipe(**changed: Any) -> dict[str, Any]:
    """Of an invented plate: two exposures with contact, a wash, a bake, hardening, inspection."""
    contact = {"low_kpa": 60.0, "high_kpa": 95.0}
    return {
        "id": "plate-a", "title": "Invented", "step": [
            {"name": "film", "kind": "expose", "dose_mj_cm2": 340.0, "contact": contact},
            {"name": "screen", "kind": "expose", "dose_mj_cm2": DOSE, "contact": contact,
             "screen": "screen-9"},
            {"name": "wash", "kind": "wash"}, {"name": "bake", "kind": "bake"},
            {"name": "hardening", "kind": "expose", "dose_mj_cm2": 900.0, "contact": False},
            {"name": "inspect", "kind": "inspect", "point": [
                {"name": "large area", "low_um": 30.0, "high_um": 36.0}]},
        ],
    } | changed  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Made:
    """One plate."""

    plate: str
    dose: float = DOSE
    light_s: float = LIGHT_S
    lot: str = "L-1"
    depths: Mapping[str, float] | None = None
    read_s: float = 3000.0
    """When it is inspected, since its begin."""
    lost_kpa: float = 0.0
    bake_min: float | None = 20.0
    place_pct: float | None = None
    ages: Mapping[str, float | None] | None = None
    state: Any = "complete"
    recipe: Mapping[str, Any] | None = None


class Shop:
    """Writes plates one after the other, ``EVERY_S`` apart."""

    def __init__(self, journal: Journal) -> None:
        self.journal, self.n = journal, 0

    def put(self, run_id: str | None, what: Event, s: float) -> None:
        self.journal.append(
            event(self.journal, run_id, name=what.name, data=what.data(), at=later(s))
        )

    def make(self, made: Made) -> None:
        t = EVERY_S * self.n
        self.n += 1
        journal, name = self.journal, made.plate
        on_bed = {} if made.place_pct is None else {
            "on_bed": {"place_cm": [0.0, 0.0, 9.0, 9.0], "mean_pct": made.place_pct}}  # fmt: skip
        request = {"kind": "plate", "recipe": dict(made.recipe or recipe()),
                   "revision": "plate-a@1", "lot": made.lot} | on_bed  # fmt: skip
        request |= {} if made.ages is None else {"ages": dict(made.ages)}
        journal.append(start(journal, name, later(t), step="plate", plate=name, request=request))
        for step, dose, light_s, at, state in (
            ("film", 340.0, 60.0, 100.0, "complete"),
            ("screen", made.dose, made.light_s, 300.0, made.state),
        ):
            run = f"{name}-{step}"
            journal.append(start(journal, run, later(t + at), step=step, plate=name,
                                 target_dose_mj_cm2=dose, conditions=CONDITIONS))  # fmt: skip
            self.put(run, ContactHeld(vacuum_kpa=80.0, fall_kpa_per_min=0.1), t + at + 5.0)
            if made.lost_kpa and step == "screen":
                self.put(run, ContactWeaker(80.0 - made.lost_kpa, 80.0, 4.0, 9.0, 0.2, "sudden"),
                         t + at + 20.0)  # fmt: skip
            journal.end_run(run, later(t + at + 60.0), state, "done", dose_mj_cm2=dose,
                            light_s=light_s)  # fmt: skip
        if made.state != "complete":
            return
        if made.bake_min is not None:
            self.put(name, BakeEnded(60.0 * made.bake_min, 1500.0, 0.0, 65.0, 64.0, 66.0, None, 0),
                     t + 2000.0)  # fmt: skip
        if made.depths is not None:
            self.put(name, Inspected("good", dict(made.depths), {}, (), "", "Lea"), t + made.read_s)
        journal.end_run(name, later(t + made.read_s + 100.0), "complete", "done")

    def usual(self, n: int, *, seed: int = 1) -> None:
        """So many plates whose depth follows dose and lot, 0.5 µm about it."""
        rng = np.random.default_rng(seed)
        for _ in range(n):
            i = self.n
            dose, lot = DOSE * math.exp(rng.normal(0.0, 0.02)), i // 25
            depth = 33.0 - 14.0 * math.log(dose / DOSE) + 0.6 * (-1.0) ** lot + rng.normal(0.0, 0.5)
            self.make(Made(plate=f"P-{i:03d}", dose=dose, light_s=LIGHT_S * dose / DOSE,
                           lot=f"L-{lot}", bake_min=20.0 + rng.normal(0.0, 1.0),
                           depths={"large area": round(depth, 1)}))  # fmt: skip


@contextmanager
def shop_at(path: Path) -> Iterator[Shop]:
    with journal_at(path) as journal:
        yield Shop(journal)
