"""Plates as light, water and people make them: a truth that no fitter of ours shares. Vectorised.

What cures is computed at one place: the light that reached it, with reciprocity of the stock and an
induction dose that oxygen takes, against a dose that lot, plate, warmth and age have changed. A
wedge is held to where that is enough. A recess is as deep as cured flanks of the screen's dots
leave it: they meet at a depth that the gap sets, as long as the dots are anchored and light spread
between them does not close the gap; and washout reaches no deeper than bath, time and warmth let
it. None of it is a straight line. All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
REFERENCE_MW_CM2 = 11.0
"""Irradiance at which doses of a stock are stated."""
ROOM_C = 22.0
WATER_C = 31.0
WEDGE_STEP = 0.15
WEDGE_FIRST = 0.05


@dataclass(frozen=True, slots=True)
class Stock:
    """A plate stock."""

    hold_mj_cm2: float = 83.0
    """Dose that holds fresh stock at ROOM_C, oxygen apart."""
    p: float = 0.87
    """Reciprocity: light counts as irradiance to this power."""
    induction_mj_cm2: float = 21.0
    """What oxygen takes at the reference irradiance."""
    induction_power: float = 0.4
    """Brighter light leaves oxygen less time to come back: (E / E_ref) to minus this."""
    warmth_per_c: float = 0.011
    """Share of the dose less for each °C."""
    ageing_per_day: float = 0.0035
    """Share of the dose less for each day that the package is open; dark reactions."""
    lot_sd: float = 0.075
    plate_sd: float = 0.022
    """Of the logarithm of the dose that holds."""
    place_sd: float = 0.013
    """The same between places of one plate."""
    wash_um_per_s: float = 0.62
    """Depth washed out in fresh water at WATER_C."""
    steel_um: float = 92.0


@dataclass(frozen=True, slots=True)
class Screen:
    """A halftone line screen; ``tint_pct`` is the share that lets light through."""

    ruling_lines_per_cm: float = 90.0
    tint_pct: float = 58.0
    density: float = 3.6
    """Of its black."""

    @property
    def gap_um(self) -> float:
        """Between the dots."""
        return 1e4 / self.ruling_lines_per_cm * (1.0 - self.tint_pct / 100.0)


class Fault(StrEnum):
    """What nobody entered."""

    NONE = "none"
    LAMP_SWAP = "lamp swap"
    """Other tubes: their light cures less than the sensor makes of it."""
    FOULED_SENSOR = "fouled sensor"
    """It reads less than falls: more falls than is recorded."""
    LEAK = "leak"
    """Contact is lost here and there: light gets under the dots."""
    COLD_BATH = "cold bath"
    OLD_LOT = "old lot"


@dataclass(frozen=True, slots=True)
class Shop:
    """One shop: its stock, lots, people and gauge. ``seed`` makes its lots and people."""

    seed: int = 0
    stock: Stock = field(default_factory=Stock)
    lots: int = 8
    people: int = 3
    gauge_um: float = 1.0
    """Last digit of the depth gauge."""
    gauge_sd_um: float = 0.5
    person_sd_um: float = 0.45
    """How differently people set the gauge down."""
    misread: float = 0.03
    """Share of wedges that are read a step off."""
    wedge_sd: float = 0.006
    """Of the wedge's densities about their nominal ones."""
    dose_sd: float = 0.006
    """Dose at the plate, against the recorded one: place, month, control."""
    unevenness: float = 0.03
    """Share by which light falls off from the middle to the corner of the bed."""
    fault: Fault = Fault.NONE

    def lot_shift(self) -> F64:
        """Logarithm of each lot's dose."""
        return np.random.default_rng([self.seed, 1]).normal(0.0, self.stock.lot_sd, self.lots)

    def person_um(self) -> F64:
        """What each person reads too deep."""
        return np.random.default_rng([self.seed, 2]).normal(0.0, self.person_sd_um, self.people)

    def wedge(self) -> F64:
        """Densities of the shop's own wedge, as they are."""
        nominal = WEDGE_FIRST + WEDGE_STEP * np.arange(21)
        off = np.random.default_rng([self.seed, 3]).normal(0.0, self.wedge_sd, 21)
        return nominal + off


@dataclass(frozen=True, slots=True)
class Care:
    """How a plate was treated; arrays go with the doses."""

    irradiance_mw_cm2: F64 | float = REFERENCE_MW_CM2
    room_c: F64 | float = ROOM_C
    days_open: F64 | float = 2.0
    wash_s: F64 | float = 90.0
    water_c: F64 | float = WATER_C
    bath_cm2: F64 | float = 0.0
    """Washed in this water before."""
    bath_days: F64 | float = 0.0
    brush: F64 | float = 1.0
    """Pressure against the usual one."""
    dry_min: F64 | float = 20.0


def holding_dose(shop: Shop, care: Care, lot: NDArray[np.int64] | int = 0) -> F64:
    """Dose that holds the middle plate of a lot, as recorded doses count."""
    stock = shop.stock
    e = np.asarray(care.irradiance_mw_cm2, float) / REFERENCE_MW_CM2
    days = np.asarray(care.days_open, float) + (60.0 if shop.fault is Fault.OLD_LOT else 0.0)
    warmth = stock.warmth_per_c * (np.asarray(care.room_c, float) - ROOM_C)
    level = stock.hold_mj_cm2 * np.exp(
        shop.lot_shift()[lot] - warmth - stock.ageing_per_day * days
    ) + stock.induction_mj_cm2 * e ** (-stock.induction_power)
    if shop.fault is Fault.LAMP_SWAP:
        level = level * 1.18
    if shop.fault is Fault.FOULED_SENSOR:
        level = level / 1.22
    return np.asarray(level * e ** (1.0 - stock.p), float)


def mean_depth(
    shop: Shop, screen: Screen, dose_mj_cm2: F64, care: Care, hold_mj_cm2: F64
) -> F64:  # fmt: skip
    """Depth in µm that plates come to, before anybody measures it."""
    stock, over = shop.stock, np.asarray(dose_mj_cm2, float) / hold_mj_cm2
    water = np.asarray(care.water_c, float) - (9.0 if shop.fault is Fault.COLD_BATH else 0.0)
    reach = stock.wash_um_per_s * np.asarray(care.wash_s, float) * np.exp(0.03 * (water - WATER_C))
    reach = reach * np.exp(
        -np.asarray(care.bath_cm2, float) / 52_000.0 - 0.012 * np.asarray(care.bath_days, float)
    ) * np.asarray(care.brush, float) ** 0.35  # fmt: skip
    leaking = 1.35 if shop.fault is Fault.LEAK else 1.0
    halo_um = 1.3 * leaking * np.log(np.maximum(over, 1.0))
    flanks = np.maximum(screen.gap_um - 2.0 * halo_um, 0.0) / (2.0 * 0.71)
    anchored = 1.0 / (1.0 + (1.25 / over) ** 9)
    open_um = stock.steel_um * (1.0 - anchored) + flanks * anchored
    spread = 0.16 * leaking * screen.tint_pct / 58.0 + 10.0**-screen.density
    open_um = open_um / (1.0 + (spread * over) ** 4)
    depth = (open_um**-6 + reach**-6) ** (-1.0 / 6.0)
    swollen = 0.12 * np.exp(-np.asarray(care.dry_min, float) / 8.0)
    return np.asarray(depth * (1.0 - swollen), float)


def measured_depth(
    shop: Shop,
    screen: Screen,
    dose_mj_cm2: F64,
    care: Care,
    rng: np.random.Generator,
    *,
    lot: NDArray[np.int64] | int = 0,
    plate: NDArray[np.int64] | int = 0,
    person: NDArray[np.int64] | int = 0,
    points: int = 3,
) -> F64:
    """Depths read in patches, [patches, points]: points of a patch share its light and plate.

    ``plate`` numbers plates; patches of one plate share what is the plate's own."""
    doses = np.asarray(dose_mj_cm2, float)
    n, stock = doses.shape[0], shop.stock
    number = np.broadcast_to(np.asarray(plate), n)
    own = rng.normal(0.0, stock.plate_sd, int(number.max()) + 1)[number]
    dose_off = rng.normal(0.0, shop.dose_sd, int(number.max()) + 1)[number]
    place = rng.normal(0.0, stock.place_sd, n)
    hold = holding_dose(shop, care, lot) * np.exp(own + place - dose_off)
    depth = mean_depth(shop, screen, doses, care, np.broadcast_to(hold, n))
    if shop.fault is Fault.LEAK:
        depth = depth * rng.uniform(0.88, 1.0, n)
    texture = rng.normal(0.0, 0.6, (n, points))
    read = depth[:, None] + texture + rng.normal(0.0, shop.gauge_sd_um, (n, points))
    read = read + np.broadcast_to(shop.person_um()[person], n)[:, None]
    return np.asarray(np.round(read / shop.gauge_um) * shop.gauge_um, float)


def wedge_reading(
    shop: Shop,
    dose_mj_cm2: F64,
    care: Care,
    rng: np.random.Generator,
    *,
    lot: NDArray[np.int64] | int = 0,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(last step held, first washed away) of a wedge on each of these plates; 0: none held, 22:
    none washed away. A step near the dose that holds is held in part and counts as neither."""
    doses = np.asarray(dose_mj_cm2, float)
    n, stock = doses.shape[0], shop.stock
    own = rng.normal(0.0, np.hypot(stock.plate_sd, shop.dose_sd), n)
    hold = np.broadcast_to(holding_dose(shop, care, lot), n) * np.exp(own)
    under = np.log(doses[:, None]) - np.log(10.0) * shop.wedge() - np.log(hold)[:, None]
    under = under + rng.normal(0.0, stock.place_sd, under.shape)
    held = np.where(under > 0.02, np.arange(1, 22), 0).max(axis=1)
    washed = np.where(under < -0.02, np.arange(1, 22), 22).min(axis=1)
    slip = np.where(rng.random(n) < shop.misread, rng.choice([-1, 1], n), 0)
    held, washed = np.clip(held + slip, 0, 21), np.clip(washed + slip, 1, 22)
    return np.minimum(held, washed - 1), washed


def dose_for(
    shop: Shop, screen: Screen, depth_um: float, care: Care, *, lot: int = 0,
    between: tuple[float, float] = (1.2, 6.0),
) -> float:  # fmt: skip
    """Dose at which the middle plate of a lot is so deep, by bisection over these shares of the
    dose that holds; nan: none is."""
    hold = float(np.mean(holding_dose(shop, care, lot)))
    low, high = (hold * share for share in between)

    def deeper(dose: float) -> bool:
        got = mean_depth(shop, screen, np.array([dose]), care, np.array([hold]))
        return float(got[0]) > depth_um

    if not deeper(low) or deeper(high):
        return float("nan")
    for _ in range(60):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if deeper(middle) else (low, middle)
    return low


def light_over_bed(
    shop: Shop, x: F64, y: F64, rng: np.random.Generator, noise: float = 0.008
) -> F64:
    """Irradiance a meter reads at places from -1 to 1 of the half bed; one tube is weaker."""
    tilt, tube = np.random.default_rng([shop.seed, 4]).uniform(-0.02, 0.02, 2)
    fall = 1.0 - shop.unevenness * (x**2 + y**2) / 2.0 + tilt * x + tube * np.cos(3.0 * y)
    return np.asarray(REFERENCE_MW_CM2 * fall * np.exp(rng.normal(0.0, noise, np.shape(x))), float)


def with_fault(shop: Shop, fault: Fault) -> Shop:
    """The same shop with something gone wrong that nobody has entered."""
    return replace(shop, fault=fault)
