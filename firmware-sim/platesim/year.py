"""A year of one shop's plates for one recipe: lots, baths, places, people, and faults that nobody
enters. The shop corrects its dose as people do: half way, and only when a reading is far off.

All figures are invented. One fault at a time; each leaves some trace in the record, and sometimes
none.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from platesim.plates import (
    F64,
    WATER_C,
    Care,
    Fault,
    Screen,
    Shop,
    dose_for,
    holding_dose,
    mean_depth,
    with_fault,
)

DAYS = 365
PLATES_A_DAY = 2.4
PLATE_M2 = 0.04
DRY_MIN = 20.0


class Trouble(StrEnum):
    """What is wrong while a plate is made; nobody has entered it."""

    NONE = "none"
    LAMP_SWAP = "lamp swap"
    FOULED_SENSOR = "fouled sensor"
    LEAK = "leak"
    COLD_BATH = "cold bath"
    OLD_LOT = "old lot"
    SHORT_BAKE = "short bake"


@dataclass(frozen=True, slots=True)
class Year:
    """What was so for each plate, [plates], in order; and its depth at any dose."""

    shop: Shop
    screen: Screen
    target_um: float
    first_dose_mj_cm2: float
    day: NDArray[np.int64]
    lot: NDArray[np.int64]
    days_open: F64
    bath_m2: F64
    bath_days: F64
    place_pct: F64
    """Light at the plate's place against the bed's middle, as the map has it."""
    light_off_pct: F64
    """Irradiance seen against that foretold of the lamps."""
    contact_kpa: F64
    """Vacuum lost in light at worst."""
    bake_min: F64
    """Of drying, as recorded; nan: not recorded."""
    water_c: F64
    """Of the bath, as read; nan: nobody read it."""
    trouble: tuple[Trouble, ...]
    _hold: F64
    _severity: F64
    _noise: F64
    _care: Care
    _leaking: F64

    def depth_um(self, i: int, dose_mj_cm2: float) -> float:
        """What is read on plate ``i``, made with this recorded dose: the mean of three points."""
        care = Care(
            wash_s=self._care.wash_s, bath_cm2=float(self.bath_m2[i] * 1e4),
            bath_days=float(self.bath_days[i]), dry_min=float(np.asarray(self._care.dry_min)[i]),
            water_c=float(np.asarray(self._care.water_c)[i]),
        )  # fmt: skip
        dose, hold = np.array([dose_mj_cm2]), np.array([self._hold[i]])
        depth = float(mean_depth(self.shop, self.screen, dose, care, hold)[0])
        trouble = self.trouble[i]
        if trouble in {Trouble.LEAK, Trouble.COLD_BATH}:
            worse = float(
                mean_depth(with_fault(self.shop, Fault(trouble)), self.screen, dose, care, hold)[0]
            )
            depth += float(self._severity[i]) * (worse - depth)
        read = depth * float(self._leaking[i]) + float(self._noise[i])
        gauge = self.shop.gauge_um / 3.0
        return round(read / gauge) * gauge


def year(seed: int, *, often: float = 1.0) -> Year:
    """The year of the shop with this seed; faults ``often`` times as often as usual."""
    rng = np.random.default_rng([seed, 41])
    shop, screen = Shop(seed=seed, lots=40), Screen()
    each = rng.poisson(PLATES_A_DAY, DAYS) * (np.arange(DAYS) % 7 < 5)
    day = np.repeat(np.arange(DAYS), each)
    n = len(day)
    lot = np.zeros(n, np.int64)
    lot_ends = np.cumsum(rng.integers(40, 80, 40))
    lot[:] = np.searchsorted(lot_ends, np.arange(n), side="right")
    opened = np.array([day[np.flatnonzero(lot == one)[0]] for one in lot])
    bath_m2, bath_days = _baths(day, rng)
    place_known = rng.normal(-1.5, 1.2, n)
    trouble, severity, lasting = _troubles(day, lot, rng, often)
    light_off = rng.normal(0.0, 1.2, n)
    contact = np.abs(rng.normal(0.0, 0.35, n))
    leaking = np.ones(n)
    water, dry = rng.normal(WATER_C, 0.8, n), np.maximum(rng.normal(DRY_MIN, 2.0, n), 8.0)
    hold = np.zeros(n)
    room = 22.0 + 2.0 * np.sin(2.0 * np.pi * (day - 100.0) / 365.0) + rng.normal(0.0, 0.7, n)
    days_open = (day - opened).astype(float)
    care = Care(room_c=room, days_open=days_open)
    usual = holding_dose(shop, care, lot)
    hold[:] = usual
    for i, one in enumerate(trouble):
        if one in {Trouble.LAMP_SWAP, Trouble.FOULED_SENSOR, Trouble.OLD_LOT}:
            its = Care(room_c=float(room[i]), days_open=float(days_open[i]))
            bad = float(holding_dose(with_fault(shop, Fault(one)), its, int(lot[i])))
            hold[i] = usual[i] * (bad / usual[i]) ** severity[i]
        if one is Trouble.FOULED_SENSOR:
            light_off[i] -= 18.0 * severity[i] + rng.normal(0.0, 1.0)
        if one is Trouble.LAMP_SWAP:
            light_off[i] += lasting[i]
        if one is Trouble.LEAK:
            contact[i] += rng.gamma(2.0, 1.0) * (rng.random() < 0.75)
            leaking[i] = 1.0 - severity[i] * rng.uniform(0.0, 0.12)
        if one is Trouble.SHORT_BAKE:
            dry[i] = rng.uniform(4.0, 9.0)
    place_off = rng.normal(0.0, 0.006, n)
    own = rng.normal(0.0, np.hypot(shop.stock.plate_sd, shop.stock.place_sd), n)
    hold = hold * np.exp(own + place_off - 0.01 * place_known)
    person = shop.person_um()[rng.integers(0, shop.people, n)]
    noise = person + rng.normal(0.0, np.hypot(0.6, shop.gauge_sd_um) / np.sqrt(3.0), n)
    cold = np.array([t is Trouble.COLD_BATH for t in trouble])
    reads_water, reads_bake = rng.random() < 0.5, rng.random() < 0.7
    wash = Care(dry_min=dry, water_c=water)
    target = 33.0
    right = dose_for(shop, screen, target, Care(bath_cm2=5e3, bath_days=4.0, days_open=8.0))
    return Year(
        shop, screen, target, right * float(np.exp(rng.normal(0.0, 0.03))), day, lot, days_open,
        bath_m2, bath_days, place_known, light_off, contact,
        np.round(dry + rng.normal(0.0, 0.5, n)) if reads_bake else np.full(n, np.nan),
        water - 9.0 * severity * cold + rng.normal(0.0, 0.5, n)
        if reads_water else np.full(n, np.nan),
        tuple(trouble), hold, severity, noise, wash, leaking,
    )  # fmt: skip


def _baths(day: NDArray[np.int64], rng: np.random.Generator) -> tuple[F64, F64]:
    """Area washed before and days, renewed when people come to it."""
    area, since = np.zeros(len(day)), np.zeros(len(day))
    m2, begun, until = 0.0, 0, int(rng.integers(6, 15))
    for i, today in enumerate(day):
        if today - begun >= until:
            m2, begun, until = 0.0, int(today), int(rng.integers(6, 15))
        area[i], since[i] = m2, today - begun
        m2 += PLATE_M2
    return area, since


def _troubles(
    day: NDArray[np.int64], lot: NDArray[np.int64], rng: np.random.Generator, often: float
) -> tuple[list[Trouble], F64, F64]:
    """Of each plate: its trouble, how bad it is from 0 to 1, and a figure that lasts as long."""
    n = len(day)
    found, severity, lasting = [Trouble.NONE] * n, np.zeros(n), np.zeros(n)

    def put(one: Trouble, where: NDArray[np.bool_], bad: F64 | float, figure: float = 0.0) -> None:
        for i in np.flatnonzero(where):
            found[i] = one
        severity[where] = np.broadcast_to(bad, n)[where]
        lasting[where] = figure

    for number in range(int(lot.max()) + 1):
        if rng.random() < 0.08 * often:
            put(Trouble.OLD_LOT, lot == number, float(rng.uniform(0.6, 1.4)))
    if rng.random() < 0.6 * often:
        begin, length = rng.integers(40, 320), rng.integers(15, 60)
        put(Trouble.LAMP_SWAP, (day >= begin) & (day < begin + length),
            float(rng.uniform(0.5, 1.0)), float(rng.normal(5.0, 4.0)))  # fmt: skip
    if rng.random() < 0.6 * often:
        begin, length = rng.integers(40, 300), rng.integers(20, 60)
        grown = np.clip((day - begin) / 20.0, 0.0, 1.0) * rng.uniform(0.5, 1.0)
        put(Trouble.FOULED_SENSOR, (day >= begin) & (day < begin + length), grown)
    for one, days, share in (
        (Trouble.LEAK, (3, 9), 0.6), (Trouble.COLD_BATH, (2, 6), 1.0),
        (Trouble.SHORT_BAKE, (2, 5), 0.6),
    ):  # fmt: skip
        for _ in range(rng.poisson(1.5 * often)):
            begin, length = rng.integers(20, 350), rng.integers(*days)
            put(one, (day >= begin) & (day < begin + length) & (rng.random(n) < share),
                float(rng.uniform(0.6, 1.2)))  # fmt: skip
    return found, severity, lasting
