"""Invented experiments for the tests."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from platelink.experiments.made import Made
from platelink.experiments.store import ExperimentStore
from platelink.ledger.by import By
from platelink.ledger.errors import StoreRefused

T0 = datetime(2026, 4, 7, 6, 30, tzinfo=UTC)
WEDGES = ((373.0, 5, 6), (408.0, 5, 6), (446.0, 5, 7), (487.0, 6, 7))
"""Dose, last step held, first one washed away."""


def by(why: str = "", *, minutes: float = 0.0, who: str = "A. Example") -> By:
    """Somebody, some time after the beginning."""
    return By(who, T0 + timedelta(minutes=minutes), why)


DOSES = {"2026-04-07-a1": 408.0, "2026-04-07-b2": 446.5}


class Runs:
    """A record of two exposures."""

    def run(self, wanted: str) -> str:
        found = [run for run in DOSES if run.startswith(wanted)]
        if len(found) != 1:
            raise StoreRefused(f"no run begins with '{wanted}'")
        return found[0]

    def dose(self, wanted: str) -> float:
        return DOSES[self.run(wanted)]


RUNS = Runs()


def wedge(store: ExperimentStore, wedges: tuple[tuple[float, int, int], ...] = WEDGES) -> Made:
    """A wedge experiment with its readings."""
    made = store.begin("wedge", {"hold_step": 6}, by())
    for dose, held, washed in wedges:
        typed = {"dose_mj_cm2": f"{dose:g} mJ/cm2", "held": held, "washed": washed}
        made = store.read(made.name, typed, by(), RUNS)
    return made


def concluded(store: ExperimentStore) -> Made:
    """The same, concluded."""
    return store.conclude(wedge(store).name, by(minutes=40.0), release="0.1.0")
