"""Readings as people in simulated shops take them. The plates are of a model that no fitter has."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from platelink.finding.depth import Patch
from platelink.finding.reciprocity import AtLevel
from platelink.finding.wedge import WedgeReading
from platesim.plates import Care, Screen, Shop, measured_depth, wedge_reading

SCREEN = Screen()


def wedges(
    shop: Shop, doses: Sequence[float], rng: np.random.Generator, care: Care | None = None
) -> list[WedgeReading]:
    held, washed = wedge_reading(shop, np.array(doses), care or Care(), rng)
    return [
        WedgeReading(dose_mj_cm2=float(d), held=int(h), washed=int(w), run=f"run-{i}")
        for i, (d, h, w) in enumerate(zip(doses, held, washed, strict=True), 1)
    ]


def levels(
    shop: Shop, doses: Sequence[float], irradiances: Sequence[float], rng: np.random.Generator
) -> list[AtLevel]:
    return [
        AtLevel(e, one)
        for e in irradiances
        for one in wedges(shop, doses, rng, Care(irradiance_mw_cm2=e))
    ]


def strips(
    shop: Shop, doses: Sequence[float], rng: np.random.Generator, *, lot: int = 0, plates: int = 1
) -> list[Patch]:
    """The same strip on several plates of a lot."""
    each = np.tile(np.array(doses, float), plates)
    number = np.repeat(np.arange(plates), len(doses))
    read = measured_depth(shop, SCREEN, each, Care(), rng, lot=lot, plate=number)
    return [
        Patch(
            dose_mj_cm2=float(dose), points_um=tuple(map(float, points)), plate=f"plate-{n}",
            lot=f"lot-{lot}", run=f"run-{lot}-{n}",
        )
        for dose, points, n in zip(each, read, number, strict=True)
    ]  # fmt: skip
