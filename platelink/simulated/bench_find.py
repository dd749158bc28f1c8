"""How many plates a dose costs: strips with a fitted curve against the usual halving, on plates of
simulated shops that follow no curve of ours.

Halving: one plate, one patch, read; deeper than wanted: more dose, else less, by half the step
before. Both begin within 15 % of the dose that is right as the shop's own gauge reads. Two patches:
of a new lot, one on each of two plates, after strips on two plates of each of five earlier lots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import NoFitError
from platelink.finding.depth import LOTS, PLATES_OF_LOT, DoseFound, Patch, strip, working_curve
from platesim.plates import Care, Screen, Shop, dose_for, measured_depth

DEPTH_UM = 33.0
WITHIN = 0.05
OFF = 0.15
PLATES = (1, 2, 3, 4)
HALVINGS = (1, 2, 3, 4, 5, 6, 8)
PATCHES, SPAN, NEXT_SPAN = 8, 0.25, 0.15
SCREEN, CARE = Screen(), Care()


@dataclass(frozen=True, slots=True)
class Found:
    """Of one way after so many plates."""

    plates: int
    shops: int
    within_pct: float
    """Shops whose dose is within WITHIN of the right one; who were told nothing are not."""
    told_pct: float
    covered_pct: float | None
    """Of those told: intervals that hold the right dose; None: this way tells none."""
    off_95_pct: float
    """95 % of the told are off by no more."""


@dataclass(frozen=True, slots=True)
class FindBench:
    """What ``bench_find`` found."""

    strips: tuple[Found, ...]
    two_patches: tuple[Found, ...]
    halving: tuple[Found, ...]


def bench_find(shops: int) -> FindBench:
    """Both ways in so many shops, seeds 0 on."""
    each = [_shop(seed) for seed in range(shops)]
    return FindBench(
        tuple(_strips(each, plates) for plates in PLATES),
        (_two_patches(each),),
        tuple(_halving(each, plates) for plates in HALVINGS),
    )


@dataclass(frozen=True, slots=True)
class _Trial:
    seed: int
    shop: Shop
    right: float
    first: float


def _shop(seed: int) -> _Trial:
    shop = Shop(seed=seed)
    right = _right(shop)
    off = np.random.default_rng([seed, 21]).uniform(-OFF, OFF)
    return _Trial(seed, shop, right, right * math.exp(off))


def _right(shop: Shop, lot: int = 0) -> float:
    """The dose at which the one person's gauge reads the depth on the lot's middle plate."""
    return dose_for(shop, SCREEN, DEPTH_UM - float(shop.person_um()[0]), CARE, lot=lot)


def _strips(trials: list[_Trial], plates: int) -> Found:
    doses: list[tuple[float, DoseFound | None]] = []
    for trial in trials:
        rng = np.random.default_rng([trial.seed, 22])
        patches: list[Patch] = []
        middle, found = trial.first, None
        for number in range(plates):
            patches += _exposed(
                trial.shop, strip(middle, PATCHES, NEXT_SPAN if number else SPAN), number, rng
            )
            try:
                found = working_curve(patches, DEPTH_UM).dose_for(DEPTH_UM)
            except NoFitError:
                found = None
                continue
            middle = found.dose_mj_cm2 or (found.next_mj_cm2[0] if found.next_mj_cm2 else middle)
        doses.append((trial.right, found))
    return _told(plates, doses)


def _two_patches(trials: list[_Trial]) -> Found:
    doses: list[tuple[float, DoseFound | None]] = []
    for trial in trials:
        rng, new = np.random.default_rng([trial.seed, 31]), str(LOTS)
        patches = [
            patch
            for lot in range(LOTS)
            for number in range(PLATES_OF_LOT)
            for patch in _exposed(trial.shop, strip(trial.first, PATCHES, SPAN), number, rng, lot)
        ]
        for number in range(PLATES_OF_LOT):
            patches += _exposed(trial.shop, [trial.first], number, rng, LOTS)
        try:
            found = working_curve(patches, DEPTH_UM).dose_for(DEPTH_UM, new)
        except NoFitError:
            found = None
        doses.append((_right(trial.shop, LOTS), found))
    return _told(PLATES_OF_LOT, doses)


def _told(plates: int, doses: list[tuple[float, DoseFound | None]]) -> Found:
    told = [(right, f) for right, f in doses if f is not None and f.dose_mj_cm2 is not None]
    off = np.array([abs(math.log((f.dose_mj_cm2 or 1.0) / right)) for right, f in told])
    held = [(f.low_mj_cm2 or 0.0) <= right <= (f.high_mj_cm2 or 0.0) for right, f in told]
    return Found(
        plates, len(doses), 100.0 * float((off <= WITHIN).sum()) / len(doses),
        100.0 * len(told) / len(doses), 100.0 * float(np.mean(held)) if held else None,
        100.0 * float(np.quantile(off, 0.95)) if held else math.nan,
    )  # fmt: skip


def _exposed(
    shop: Shop, doses: list[float], number: int, rng: np.random.Generator, lot: int = 0
) -> list[Patch]:
    read = measured_depth(shop, SCREEN, np.array(doses), CARE, rng, lot=lot)
    return [
        Patch(
            dose_mj_cm2=dose, points_um=tuple(map(float, points)), plate=str(number), lot=str(lot)
        )
        for dose, points in zip(doses, read, strict=True)
    ]


def _halving(trials: list[_Trial], plates: int) -> Found:
    off = []
    for trial in trials:
        rng = np.random.default_rng([trial.seed, 23])
        dose, step = trial.first, OFF / 2.0
        for _ in range(plates):
            read = float(measured_depth(trial.shop, SCREEN, np.array([dose]), CARE, rng).mean())
            dose *= math.exp(step if read > DEPTH_UM else -step)
            step = max(step / 2.0, 0.01)
        off.append(abs(math.log(dose / trial.right)))
    within = np.array(off) <= WITHIN
    return Found(
        plates, len(trials), 100.0 * float(within.mean()), 100.0, None,
        100.0 * float(np.quantile(off, 0.95)),
    )  # fmt: skip
