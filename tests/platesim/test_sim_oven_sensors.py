"""Oven and sensors against their formulas."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import scipy.signal

from platesim.lamps import LampBank, LampParameters
from platesim.oven import OvenParameters, OvenState, equilibrium_c, stepped
from platesim.plant import Plant, PlantParameters
from platesim.sensors import (
    HEAD,
    OVEN,
    VACUUM,
    Filter,
    GaugeNoise,
    LightSensor,
    LinearSensor,
    SensorParameters,
)
from platesim.vacuum import VacuumParameters


def test_oven_cools_with_its_time_constant() -> None:
    """C / k = 1000 s: after that the excess over ambient is 1/e."""
    oven = OvenParameters(heater_w=0.0)
    state = stepped(oven, OvenState(63.0, False), 1000.0)
    assert state.temperature_c == pytest.approx(23.0 + 40.0 * math.exp(-1.0))


def test_oven_equilibrium_and_door() -> None:
    oven = OvenParameters()
    assert equilibrium_c(oven, heating=True, door_open=False) == pytest.approx(23.0 + 150.0)
    assert equilibrium_c(oven, heating=True, door_open=True) == pytest.approx(23.0 + 900.0 / 66.0)


def history(oven: OvenParameters, seconds: int, *, door_open: bool = False,
            state: OvenState | None = None) -> list[OvenState]:  # fmt: skip
    states = [state or OvenState(oven.start_c, False)]
    for _ in range(seconds):
        states.append(stepped(oven, states[-1], 1.0, door_open=door_open))
    return states


def test_thermostat_keeps_its_band_and_switches_with_hysteresis() -> None:
    states = history(OvenParameters(), 7200)
    settled = [s.temperature_c for s in states[3600:]]
    assert 58.9 < min(settled) < 59.2
    assert 60.9 < max(settled) < 61.2
    cycle_s = 1000.0 * (math.log((173.0 - 59.0) / (173.0 - 61.0)) + math.log(38.0 / 36.0))
    switchings = sum(a.heating != b.heating for a, b in pairwise(states[3600:]))
    assert switchings == pytest.approx(2.0 * 3600.0 / cycle_s, rel=0.05)


def test_open_door_lets_the_oven_fall() -> None:
    warm = history(OvenParameters(), 3600)[-1]
    opened = history(OvenParameters(), 300, door_open=True, state=warm)[-1]
    assert opened.temperature_c < 45.0


def plant(sensors: SensorParameters, **changes: object) -> Plant:
    bank = LampBank(LampParameters(noise_fraction=0.0, ripple_depth=0.0, ripple2_depth=0.0))
    parameters = replace(PlantParameters(sensors=sensors), **changes)
    return Plant(parameters, bank, channels=1, tick_s=0.001, seed=1)


def next_counts(plant: Plant, most: int) -> np.ndarray:
    first, left = plant.made()
    assert most <= left
    return plant.analog[first : first + most]


def test_counts_of_every_column_in_the_dark() -> None:
    """Pedestal, vacuum 0 kPa, 23 degC oven and head, each with its line."""
    still = {"noise_lsb": 0.0}
    sensors = SensorParameters(
        light=(LightSensor(dark_counts=20.0, **still),),
        vacuum=LinearSensor(41.0, 9.0, **still),
        oven=LinearSensor(20.0, 8.0, **still),
        head=LinearSensor(50.0, 10.0, **still),
    )
    row = next_counts(plant(sensors), 1)[0]
    assert row.tolist() == [20, 0, 0, 0, 41, 204, 280, 0]
    assert (VACUUM, OVEN, HEAD) == (4, 5, 6)


def test_absolute_gauge_reads_the_local_atmosphere() -> None:
    sensors = SensorParameters(vacuum=LinearSensor(0.0, 10.0, noise_lsb=0.0),
                               vacuum_is_absolute=True)  # fmt: skip
    thin = VacuumParameters(atmosphere_kpa_abs=82.0)
    assert next_counts(plant(sensors, vacuum=thin), 1)[0, VACUUM] == 820


def test_light_sensor_slope_and_temperature_coefficient() -> None:
    """Full scale gives the top count; 10 degrees warmer at -0.2 %/K reads 2 % less light."""
    sensor = LightSensor(full_scale_mw_cm2=15.0, dark_counts=23.0,
                         temperature_coefficient_per_c=-0.002)  # fmt: skip
    at = sensor.counts(np.array([0.0, 15.0]), np.array([25.0, 25.0]))
    assert at == pytest.approx([23.0, 1023.0])
    warmer = sensor.counts(np.array([15.0]), np.array([35.0]))
    assert warmer[0] == pytest.approx(23.0 + 0.98 * 1000.0)


def test_noise_mean_and_spread_in_counts() -> None:
    """White noise of 2 counts rms and the rounding (1/12) add in squares; the mean stays."""
    sensors = SensorParameters(light=(LightSensor(dark_counts=100.3, noise_lsb=2.0),))
    dark = plant(sensors)
    counts = []
    for _ in range(40):
        counts.append(next_counts(dark, 500)[:, 0].copy())
        dark.commit(500)
    seen = np.concatenate(counts)
    assert seen.mean() == pytest.approx(100.3, abs=0.06)
    assert seen.std() == pytest.approx(math.sqrt(4.0 + 1.0 / 12.0), rel=0.03)


def gauge_counts(noise: GaugeNoise, **vacuum: float) -> np.ndarray:
    """Of 60 s with the pump on, a gauge without white noise and with 12 bits."""
    still = LinearSensor(400.0, 30.0, noise_lsb=0.0, adc_bits=12)
    quick = VacuumParameters(volume_l=0.5, leaks=(), **vacuum)
    frame = plant(SensorParameters(vacuum=still, vacuum_noise=noise), vacuum=quick)
    frame.set_drive(lamp=False, pump=True)
    counts = []
    for _ in range(120):
        counts.append(next_counts(frame, 500)[:, VACUUM].astype(float))
        frame.commit(500)
    return np.concatenate(counts)[10_000:]


def test_slow_noise_of_a_gauge_remembers_itself() -> None:
    """AR(1): rms as given, correlation exp(-t / slow_s) at the lag t."""
    seen = gauge_counts(GaugeNoise(slow_lsb=8.0, slow_s=0.1))
    assert seen.std() == pytest.approx(8.0, rel=0.1)
    assert np.corrcoef(seen[:-100], seen[100:])[0, 1] == pytest.approx(math.exp(-1.0), abs=0.1)


def test_heavy_tails_of_a_gauge() -> None:
    """Student's t with 3 degrees of freedom has 1.38 % beyond 3 rms times sqrt(1/3) of its scale,
    against 0.27 % of a normal one: P(|t3| > 3 sqrt 3) = 0.0138."""
    seen = gauge_counts(GaugeNoise(heavy_lsb=10.0))
    beyond = np.abs(seen - np.median(seen)) > 30.0
    assert beyond.mean() == pytest.approx(0.0138, rel=0.15)


def test_swings_of_a_gauge_are_a_resonance_that_dies_away() -> None:
    """AR(2): rms as given; half a period later it swings the other way, by exp(-t / swing_s)."""
    seen = gauge_counts(GaugeNoise(swing_lsb=8.0, swing_hz=2.0, swing_s=0.4))
    assert seen.std() == pytest.approx(8.0, rel=0.15)
    half = np.corrcoef(seen[:-250], seen[250:])[0, 1]
    assert half == pytest.approx(-math.exp(-0.25 / 0.4), abs=0.12)


def test_tone_and_sawtooth_of_a_gauge() -> None:
    tone = gauge_counts(GaugeNoise(tone_lsb=10.0, tone_hz=3.1))
    assert tone.std() == pytest.approx(10.0, rel=0.02)
    assert int(np.abs(np.fft.rfft(tone - tone.mean())).argmax()) == round(3.1 * len(tone) / 1000)
    saw = gauge_counts(GaugeNoise(saw_lsb=10.0, saw_s=5.0, saw_rise_s=0.5))
    assert saw.std() == pytest.approx(10.0, rel=0.03)
    assert np.ptp(saw) == pytest.approx(10.0 * math.sqrt(12.0), abs=1.5)
    up = np.diff(saw[::50]) > 0.0
    assert up.mean() == pytest.approx(0.1, abs=0.02)  # half a second of five


def test_a_running_pump_puts_its_tone_on_the_gauge() -> None:
    """Amplitude 0.5 kPa at 30 counts a kPa: rms 15 / sqrt 2 in its own line of the spectrum."""
    seen = gauge_counts(GaugeNoise(), pulsation_kpa=0.5, pulsation_hz=23.0)
    spectrum = np.abs(np.fft.rfft(seen - seen.mean())) / len(seen)
    assert int(spectrum.argmax()) == 23 * len(seen) // 1000
    assert 2.0 * spectrum.max() == pytest.approx(15.0, rel=0.02)


@pytest.mark.parametrize("bits", [10, 12, 16])
def test_converter_clips_at_its_bits(bits: int) -> None:
    sensors = SensorParameters(light=(LightSensor(dark_counts=1e6, adc_bits=bits),))
    assert next_counts(plant(sensors), 1)[0, 0] == 2**bits - 1


def test_dark_below_zero_is_cut_off() -> None:
    """Without a pedestal half the noise is lost: why there is one."""
    sensors = SensorParameters(light=(LightSensor(dark_counts=0.0, noise_lsb=2.0),))
    assert next_counts(plant(sensors), 500)[:, 0].mean() > 0.5


def test_head_warms_under_light() -> None:
    """First order: after one time constant 1 - 1/e of the rise."""
    sensors = SensorParameters(head_s=10.0, head_rise_c=14.0)
    lamps = plant(sensors)
    lamps.set_drive(lamp=True, pump=False)
    for _ in range(20):
        next_counts(lamps, 500)
        lamps.commit(500)
    assert lamps.head_c == pytest.approx(23.0 + 14.0 * (1.0 - math.exp(-1.0)), abs=1e-6)


# --- the amplifier's filter ----------------------------------------------------------------------


def test_the_filter_is_that_of_first_order() -> None:
    """Against scipy.signal.lfilter with y = a y' + (1 - a) x, a = exp(-dt / tau)."""
    light = np.random.default_rng(5).uniform(0.0, 12.0, 300)
    filtered = Filter(1e-3, 1e-3, 100)
    ours = []
    for chunk in light.reshape(3, 100):
        filtered.chunk_over()
        ours.append(filtered.make(0, chunk))
    a = math.exp(-1.0)
    theirs = scipy.signal.lfilter([1.0 - a], [1.0, -a], light)
    assert np.concatenate(ours) == pytest.approx(theirs, abs=1e-6)


def test_steady_light_passes_the_filter_whole_and_ripple_is_damped() -> None:
    """100 Hz behind 1 ms: 1 / sqrt(1 + (2 pi 0.1)²) = 0.847 of an analog filter; a sampled one is
    a little flatter."""
    t = np.arange(2000) * 1e-3
    filtered = Filter(1e-3, 1e-3, 2000)
    filtered.chunk_over()
    seen = filtered.make(0, 10.0 * (1.0 + 0.3 * np.sin(2.0 * np.pi * 100.0 * t)))[1000:]
    assert seen.mean() == pytest.approx(10.0, rel=1e-9)
    a = math.exp(-1.0)
    gain = (1.0 - a) / abs(1.0 - a * np.exp(-2j * np.pi * 0.1))
    assert np.ptp(seen) / 6.0 == pytest.approx(gain, rel=0.06)
    assert 0.7 < gain < 0.9


def test_what_is_made_again_in_mid_chunk_remembers_what_went_before() -> None:
    light = np.linspace(0.0, 9.0, 50)
    whole, twice = Filter(2e-3, 1e-3, 50), Filter(2e-3, 1e-3, 50)
    first = whole.make(0, light)
    twice.make(0, np.concatenate((light[:20], np.zeros(30))))  # the rest turns out otherwise
    assert twice.make(20, light[20:]) == pytest.approx(first[20:], rel=1e-12)
