"""What is told of a dose holds on units that are not as their calibration says."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np
import pytest

from platelink.control.light.request import Reciprocity
from platelink.simulated import bench_real
from platelink.simulated.bench_real import (
    BED_CM,
    LIMIT_HIGH_PCT,
    LIMIT_LOW_PCT,
    Made,
    RealBench,
    channel_of,
    judged,
    make_plate,
    plant_of,
    plates_of,
    real_unit,
    seen_from,
)

UNITS = 120
found = functools.cache(lambda: judged([plates_of(seed) for seed in range(1, UNITS + 1)], 1))


@pytest.mark.timeout(1500)
def test_u_holds_about_95_of_100_units() -> None:
    """Neither fewer nor all: U is neither too narrow nor so wide that it says nothing."""
    bench: RealBench = found()
    print(bench)
    for number in (bench.plate_to_plate, bench.against_meter):
        assert number.covered_pct is not None
        assert LIMIT_LOW_PCT <= number.covered_pct <= LIMIT_HIGH_PCT, number
    assert bench.kept


@pytest.mark.timeout(1500)
def test_the_three_numbers_are_not_one() -> None:
    """The end is near its target to some hundredths of a percent; the same plates differ by tenths,
    and from the truth by percents."""
    bench: RealBench = found()
    control, plate, meter = bench.control, bench.plate_to_plate, bench.against_meter
    assert control.largest_pct < 0.1
    assert plate.within_95_pct > 5.0 * control.within_95_pct
    assert meter.within_95_pct > 5.0 * plate.within_95_pct


# --- each part of the world is in it -----------------------------------------------------------


def ratio(made: Made) -> float:
    return made.true_mj_cm2 / made.counted_mj_cm2


def test_a_unit_as_its_calibration_says_would_have_no_error() -> None:
    """All that is drawn taken back: what is left is control."""
    unit = replace(
        real_unit(1), place_cm=0.0, cosine_error=0.0, fresh=(1.0,) * bench_real.TUBES,
        fade_per_year=(0.0,) * bench_real.TUBES, slope_error=0.0, drift_per_year=0.0,
        ageing_per_year=0.0, colour_per_fade=0.0, warm_up_colour=0.0, coefficient_per_c=-0.0012,
        bow_lsb=0.0, law=Reciprocity(), plate_p=1.0,
    )  # fmt: skip
    middle = 1.0 / float(unit.bed().mean())  # the slope is for the mean of the bed
    off = ratio(make_plate(unit, 0)) / middle - 1.0
    assert abs(off) < 0.003  # the converter's reference of the day


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"slope_error": 0.05}, 1.0 / 1.05),  # what is counted is 5 % too much
        ({"ageing_per_year": 0.5}, None),
        ({"plate_p": 1.2}, None),
        ({"place_cm": BED_CM}, None),
        ({"bow_lsb": 20.0}, None),
    ],
)
def test_each_thing_that_errs_moves_the_truth(
    changes: dict[str, float], expected: float | None
) -> None:
    drawn = next(unit for unit in map(real_unit, range(1, 99)) if unit.law.p == 1.0)
    unit = replace(
        drawn, slope_error=0.0, ageing_per_year=0.0, place_cm=0.0, first_day=200,
        law=Reciprocity(1.0, 20.0),
    )  # fmt: skip
    moved = ratio(make_plate(replace(unit, **changes), 0)) / ratio(make_plate(unit, 0))
    assert abs(moved - 1.0) > 0.01, moved
    if expected is not None:
        assert moved == pytest.approx(expected, rel=2e-3)


def test_tubes_of_the_bank_give_a_bed_that_is_even_to_some_percent() -> None:
    """One over r and the cosine of a long tube: below it 1, 45 degrees aside a half."""
    one = seen_from(0.0)
    aside = (np.arange(8) - 3.5) * 8.0
    assert one == pytest.approx(1.0 / (1.0 + (aside / 10.0) ** 2))
    bed = [float(seen_from(x).sum()) for x in np.linspace(-BED_CM, BED_CM, 31)]
    assert 0.02 < (max(bed) - min(bed)) / max(bed) < 0.10


def test_units_differ_as_they_should() -> None:
    units = [real_unit(seed) for seed in range(1, 201)]
    laws = [unit.law.p for unit in units]
    assert min(laws) < 0.85 and max(laws) > 1.15 and laws.count(1.0) > 100
    errors = np.array([unit.slope_error for unit in units])
    assert errors.std() == pytest.approx(math.hypot(0.02, 0.004), rel=0.2)
    assert all(unit.sensor.filter_s == 1e-3 for unit in units)
    lamps = [plant_of(unit, 0)[0].lamps for unit in units[:20]]
    assert {lamp.ripple_hz for lamp in lamps} == {100.0, 120.0}
    assert all(lamp.mains_fraction > 0.0 and len(set(lamp.tube_outputs)) > 1 for lamp in lamps)
    converters = [plant_of(unit, 0)[0].plant.sensors.converter for unit in units]
    assert all(abs(one.bow_lsb) <= 1.0 and one.dnl_lsb > 0.0 for one in converters)
    assert len({one.reference_v for one in converters}) == len(units)
    assert all(channel_of(unit).rel_uncertainty == 0.02 for unit in units)


# --- how it is judged ---------------------------------------------------------------------------


def test_judging_by_hand() -> None:
    """True for counted 1.02 and 1.00: 1 % from their mean, times sqrt 2 as each is half of it."""
    one = Made(100.0, 100.1, 102.102, plate_pct=1.5, meter_pct=1.9)
    two = Made(100.0, 100.0, 100.0, plate_pct=1.0, meter_pct=9.0)
    bench = judged([(one, two)], 1)
    assert bench.control.largest_pct == pytest.approx(0.1)
    seen = 100.0 * math.sqrt(2.0) * 0.01 / 1.01
    assert bench.plate_to_plate.largest_pct == pytest.approx(seen)
    assert bench.plate_to_plate.covered_pct == pytest.approx(50.0)
    assert bench.against_meter.largest_pct == pytest.approx(2.0)
    assert bench.against_meter.covered_pct == 0.0
    assert not bench.kept
