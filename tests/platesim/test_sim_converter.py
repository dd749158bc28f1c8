"""The simulated converter: bent, stepped unevenly, on a supply that moves, too quiet."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from platelink.sensing.calibrate import Comparison, judged, too_quiet
from platelink.sensing.calibration import Instrument, Level, Line, Quantity
from platelink.sensing.settling import Frame, Settling
from platesim.plant import PlantParameters
from platesim.sensors import BANDGAP, Converter, LightSensor, SensorParameters
from platesim.unit import SimulatedUnit, UnitParameters

TOP = 1023.0
TODAY = date(2026, 3, 2)


def test_a_bow_is_greatest_in_the_middle_and_none_at_the_ends() -> None:
    codes = np.array([0.0, 255.75, 511.5, 1023.0])
    for bow in (0.5, 1.0):
        off = Converter(bow_lsb=bow).bent(codes, TOP) - codes
        assert off == pytest.approx([0.0, 0.75 * bow, bow, 0.0])


def test_uneven_steps_are_as_uneven_as_said() -> None:
    at = np.arange(400.0, 412.0, 0.001)
    codes = np.floor(Converter(dnl_lsb=0.4).bent(at, TOP) + 0.5)
    widths = [float(np.sum(codes == code)) * 0.001 for code in range(402, 410)]
    assert max(widths) - 1.0 == pytest.approx(0.4, abs=0.1)
    assert 1.0 - min(widths) == pytest.approx(0.4, abs=0.1)


def counts_of(sensors: SensorParameters, light_mw_cm2: float, seconds: float = 8.0) -> Settling:
    """The light channel of a unit under steady light from elsewhere, as the device frames it."""
    unit = SimulatedUnit(UnitParameters(plant=PlantParameters(sensors=sensors)), 3)
    unit.plant.stray_mw_cm2 = light_mw_cm2
    settling = Settling(Quantity.VACUUM)  # a window of 6 s
    for i in range(int(seconds * 20)):
        codes = np.concatenate([_ticks(unit, 50)])
        t = (i + 1) * 0.05
        settling.add(Frame(t, int(codes.sum()), 50, int(codes.min()), int(codes.max()), None, None))
    return settling


def _ticks(unit: SimulatedUnit, n: int) -> np.ndarray:
    rows = []
    while len(rows) < n:
        first, left = unit.plant.made()
        take = min(left, n - len(rows))
        rows += list(unit.plant.analog[first : first + take, 0].astype(int))
        unit.plant.commit(take)
    return np.array(rows)


def calibrated(sensor: LightSensor, converter: Converter = Converter()) -> Line | tuple[str, ...]:  # noqa: B008
    sensors = SensorParameters(light=(sensor,), converter=converter)
    dark = counts_of(sensors, 0.0).now().counts
    assert dark is not None
    levels = []
    for e in (3.0, 5.5, 8.0, 10.5, 13.0):
        now = counts_of(sensors, e).now()
        assert now.settled and now.counts is not None
        levels.append(Level(reference=e, x=now.counts.mean - dark.mean, counts=now.counts))
    meter = Instrument(
        name="exact meter (invented)", certificate="EX-1", due_on=TODAY.replace(year=2030),
        u_rel=0.05, resolution=0.001,
    )  # fmt: skip
    return judged(
        Comparison(quantity=Quantity.LIGHT, instrument=meter, levels=tuple(levels), dark=dark),
        today=TODAY,
    )


PLAIN = LightSensor(gain=0.93, temperature_coefficient_per_c=0.0)


@pytest.mark.parametrize("bow_lsb", [0.0, 0.5, 1.0])
def test_a_calibration_finds_the_gain_through_a_bent_converter(bow_lsb: float) -> None:
    line = calibrated(PLAIN, Converter(bow_lsb=bow_lsb, dnl_lsb=0.5 if bow_lsb else 0.0))
    assert isinstance(line, Line), line
    assert line.gain == pytest.approx(1.0 / PLAIN.counts_per_mw_cm2, rel=3e-3)
    # the bow is seen, and carried as uncertainty: of levels up to 0.87 of the range 0.87² of it
    one_lsb = 1.0 / PLAIN.counts_per_mw_cm2
    assert line.bow == pytest.approx(0.6 * bow_lsb * one_lsb, abs=0.15 * one_lsb)


def test_a_converter_too_quiet_is_refused() -> None:
    found = calibrated(replace(PLAIN, noise_lsb=0.1))
    assert isinstance(found, tuple)
    assert "too quiet" in found[0]
    quiet = counts_of(SensorParameters(light=(replace(PLAIN, noise_lsb=0.1),)), 5.0).now().counts
    loud = counts_of(SensorParameters(light=(replace(PLAIN, noise_lsb=0.3),)), 5.0).now().counts
    assert quiet is not None and loud is not None
    assert too_quiet(quiet) and not too_quiet(loud)


def test_the_dark_drifts_with_the_head() -> None:
    warm = replace(PLAIN, dark_counts_per_c=0.4)
    assert float(warm.counts(0.0, np.array([35.0]))[0]) == pytest.approx(18.4 + 4.0)


def test_a_supply_that_rises_reads_too_little_light_and_less_of_the_bandgap() -> None:
    plain = SensorParameters(light=(PLAIN,), converter=Converter(bandgap_v=1.13))
    high = replace(plain, converter=replace(plain.converter, reference_v=5.1))
    means = []
    for sensors in (plain, high):
        now = counts_of(sensors, 8.0).now().counts
        assert now is not None
        means.append(now.mean)
    assert means[1] / means[0] == pytest.approx(5.0 / 5.1, rel=1e-3)
    for sensors, volts in ((plain, 5.0), (high, 5.1)):
        unit = SimulatedUnit(UnitParameters(plant=PlantParameters(sensors=sensors)), 3)
        unit.plant.made()
        bandgap = float(unit.plant.analog[:, BANDGAP].mean())
        assert bandgap == pytest.approx(1024.0 * 1.13 / volts, abs=0.2)
