"""The lamp bank against its formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from platesim.lamps import LampBank, LampParameters, Shutter, SlowNoise, wear_fraction

BARE = LampParameters(
    strike_s=0.0, strike_cold_s=0.0, strike_jitter_s=0.0, warmup=(), noise_fraction=0.0,
    ripple_depth=0.0, ripple2_depth=0.0, glow_fraction=0.0, fade_hours_per_start=0.0,
)  # fmt: skip


def lit(parameters: LampParameters, **options: int) -> LampBank:
    """A bank switched on at time 0."""
    bank = LampBank(parameters, **options)
    bank.switch(True, 0.0)
    return bank


def bed(bank: LampBank, times: np.ndarray) -> np.ndarray:
    """Bed irradiance with ripple at the times; dark is 0."""
    light = bank.light(float(times[0]), (times - times[0])[None])
    return np.zeros(len(times)) if light is None else light.bed[0]


def test_warm_up_dose_is_the_closed_form() -> None:
    """12 (1 - exp(-t/8)) over 60 s: 12 (60 - 8 (1 - e^-7.5)) = 624.053096100 mJ/cm2; the trapezoid
    of 1000 intervals is 624.052646349 and of 10 is 619.597192277 (scipy.integrate.trapezoid of the
    formula itself)."""
    bank = lit(replace(BARE, warmup=((1.0, 8.0),)))
    for intervals, expected in ((1000, 624.052646349), (10, 619.597192277)):
        times = np.linspace(0.0, 60.0, intervals + 1)
        dose = integrate.trapezoid(bed(bank, times), times)
        assert dose == pytest.approx(expected, abs=1e-8)


def test_warm_up_by_table_and_by_formula_agree() -> None:
    """Before and after the strike the light is computed in two ways."""
    bank = lit(replace(BARE, strike_cold_s=0.5, warmup=((0.3, 4.0), (-0.1, 40.0))))
    late = np.linspace(1.0, 2.0, 11)
    both = bed(bank, np.concatenate(([0.0], late)))
    assert both[0] == 0.0
    assert bed(bank, late) == pytest.approx(both[1:], rel=1e-12)
    since = late - 0.5
    formula = 12.0 * (1.0 - 0.3 * np.exp(-since / 4.0) + 0.1 * np.exp(-since / 40.0))
    assert both[1:] == pytest.approx(formula, rel=1e-12)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_ripple_has_mean_one_over_a_cycle(mains_hz: float) -> None:
    parameters = replace(
        BARE, ripple_hz=2.0 * mains_hz, ripple_depth=0.3, ripple2_depth=0.1, ripple_phase_rad=0.7
    )
    times = np.arange(240) / (240.0 * 2.0 * mains_hz) + 3.21
    light = bed(lit(parameters), times)
    assert light.mean() == pytest.approx(12.0, rel=1e-12)
    angle = 2.0 * np.pi * 2.0 * mains_hz * times
    formula = 1.0 + 0.3 * np.cos(angle + 0.7) + 0.1 * np.cos(2.0 * angle + 0.5)
    assert light == pytest.approx(12.0 * formula, rel=1e-9)


def test_three_phases_cancel_the_first_harmonic() -> None:
    """cos sums to 0 over phases 0, 120, 240 degrees; every second harmonic, too."""
    parameters = replace(
        BARE, ripple_depth=0.3, tube_phases_rad=(0.0, 2 * math.pi / 3, 4 * math.pi / 3)
    )
    assert np.ptp(bed(lit(parameters), np.linspace(0.0, 0.02, 50))) < 1e-9


def test_noise_has_its_spread_and_correlation_time() -> None:
    """Ornstein-Uhlenbeck: variance 1, autocorrelation exp(-lag / tau)."""
    path = SlowNoise(0.5, seed=3).at(np.arange(0.0, 4000.0, 0.05))
    lagged = np.mean(path[:-10] * path[10:])  # 0.5 s
    assert path.std() == pytest.approx(1.0, abs=0.05)
    assert lagged == pytest.approx(math.exp(-1.0), abs=0.06)


def test_noise_depends_on_time_and_seed_alone() -> None:
    times = np.linspace(0.0, 60.0, 601)
    whole = SlowNoise(2.0, seed=1).at(times)
    piecewise = SlowNoise(2.0, seed=1)
    parts = [piecewise.at(part) for part in np.split(times, [7, 400])]
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-12)
    assert not np.allclose(SlowNoise(2.0, seed=2).at(times), whole)


def test_cold_and_warm_strike() -> None:
    """A bank rested one cooling time constant misses 1 - 1/e of its cold deficit."""
    cold = lit(replace(BARE, warmup=((0.4, 10.0),), rest_s=math.inf, strike_cold_s=0.0))
    warm = lit(replace(BARE, warmup=((0.4, 10.0),), rest_s=240.0, cooling_s=240.0))
    hot = lit(replace(BARE, warmup=((0.4, 10.0),), rest_s=0.0))
    first = np.array([0.0, 1.0])
    assert bed(cold, first)[0] == pytest.approx(12.0 * 0.6)
    assert bed(warm, first)[0] == pytest.approx(12.0 * (1.0 - 0.4 * (1.0 - math.exp(-1.0))))
    assert bed(hot, first)[0] == pytest.approx(12.0)


def test_a_bank_switched_again_goes_on_where_it_was() -> None:
    """On 10 s, off 240 s, on: cooled from the missing share it had, not from cold."""
    bank = lit(replace(BARE, warmup=((0.4, 10.0),), cooling_s=240.0))
    bank.switch(False, 10.0)
    bank.switch(True, 250.0)
    missing = 0.4 - (0.4 - 0.4 * math.exp(-1.0)) * math.exp(-1.0)
    assert bed(bank, np.array([250.0, 251.0]))[0] == pytest.approx(12.0 * (1.0 - missing))
    assert bank.starts == 2
    assert bank.burn_hours == pytest.approx(10.0 / 3600.0)


def test_strike_delay_grows_with_coldness_and_jitters_by_seed() -> None:
    parameters = replace(BARE, warmup=((0.4, 10.0),), strike_s=0.5, strike_cold_s=1.5,
                         strike_jitter_s=0.1)  # fmt: skip
    delays = [lit(parameters, seed=seed).state.strike_s for seed in range(20)]
    assert 1.5 <= min(delays) < max(delays) <= 1.6
    assert lit(replace(parameters, rest_s=0.0)).state.strike_s < 0.61


def test_after_glow_dose_is_its_time_constant() -> None:
    """Integral of E g exp(-t / tau) is E g tau."""
    bank = lit(replace(BARE, glow_fraction=0.5, glow_s=0.02))
    bank.switch(False, 1.0)
    times = np.linspace(1.0, 1.5, 5001)
    tail = integrate.simpson(bed(bank, times), x=times)
    assert tail == pytest.approx(12.0 * 0.5 * 0.02, rel=1e-6)
    assert bank.light(2.0, np.zeros((1, 1))) is None


def test_shutter_passes_half_its_travel_while_moving() -> None:
    """Linear travel: opening in 0.2 s loses 0.1 s of light, closing in 0.4 s gives 0.2 s more."""
    bank = LampBank(replace(BARE, shutter=Shutter(0.2, 0.4)))
    bank.switch(True, 5.0)
    opening = np.linspace(5.0, 6.0, 1001)
    assert integrate.trapezoid(bed(bank, opening), opening) == pytest.approx(12.0 * 0.9)
    bank.switch(False, 6.0)
    closing = np.linspace(6.0, 7.0, 1001)
    assert integrate.trapezoid(bed(bank, closing), closing) == pytest.approx(12.0 * 0.2)
    assert bank.light(6.41, np.zeros((1, 1))) is None


def test_shutter_closed_in_mid_travel_goes_back_from_there() -> None:
    bank = LampBank(replace(BARE, shutter=Shutter(0.2, 0.4)))
    bank.switch(True, 5.0)
    bank.switch(False, 5.1)
    times = np.linspace(5.1, 5.5, 401)
    assert bed(bank, times)[0] == pytest.approx(6.0)
    assert bed(bank, times)[200:] == pytest.approx(0.0, abs=1e-6)


def test_wear_by_hours_and_starts() -> None:
    """exp(-(hours + starts · hours per start) / fade hours); the defaults leave 70 % at 1,000 h."""
    parameters = LampParameters()
    assert wear_fraction(parameters, 1000.0, 0) == pytest.approx(0.70, abs=0.001)
    assert wear_fraction(parameters, 0.0, 1000) == pytest.approx(math.exp(-300.0 / 2800.0))
    worn = lit(replace(BARE, burn_hours=1000.0))
    assert bed(worn, np.array([0.0, 1.0]))[0] == pytest.approx(12.0 * math.exp(-1000.0 / 2800.0))


def test_channels_see_their_own_tubes() -> None:
    """Channel 0 under tubes 0 and 1, channel 1 under 2 and 3; tube 3 dies."""
    views = ((1.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 1.0))
    bank = lit(replace(BARE, tubes=4, views=views, ripple_depth=0.1), channels=2)
    bank.fail_tube(3)
    light = bank.light(0.0, np.linspace(0.0, 0.01, 101)[None, :100])
    assert light is not None
    assert light.channels.mean(axis=1) == pytest.approx([12.0, 6.0])
    assert light.bed.mean() == pytest.approx(9.0)
    assert bank.output_fraction == pytest.approx(0.75)


def test_tubes_wear_unequally_and_channels_fade_by_what_they_see() -> None:
    """After 1,000 h of fade_hours 2,800: exp(-1000/2800), and twice that of the second tube."""
    lamps = replace(
        BARE, tubes=2, views=((1.0, 0.0), (0.0, 1.0)), burn_hours=1000.0, tube_wear=(1.0, 2.0),
        fade_hours=2800.0, starts=0,
    )  # fmt: skip
    bank = LampBank(lamps, channels=2)
    bank.switch(True, 0.0)
    light = bank.light(2.0, np.zeros((1, 1)))
    assert light is not None
    once = 12.0 * math.exp(-1000.0 / 2800.0)
    assert light.channels[:, 0] == pytest.approx([once, once**2 / 12.0], rel=1e-3)
    assert light.bed[0, 0] == pytest.approx((once + once**2 / 12.0) / 2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"warmup": ((0.8, 1.0), (0.3, 2.0))}, "warm-up"),
        ({"ripple_depth": 0.9, "ripple2_depth": 0.2}, "ripple"),
        ({"tube_outputs": (1.0,)}, "6 tubes but 1"),
        ({"tube_wear": (1.0,)}, "6 tubes but wear of 1"),
        ({"views": ((1.0,),)}, "each view needs 6"),
    ],
)
def test_impossible_lamps_are_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        replace(BARE, **changes)


# --- what a plate and a sensor see ---------------------------------------------------------------


def test_the_plates_place_sees_its_tubes_and_not_the_mean_of_the_bed() -> None:
    outputs = (1.2, 1.0, 0.8)
    view = (0.6, 0.3, 0.05)  # near the strongest tube, and dimmer than the mean in all
    parameters = replace(BARE, tubes=3, tube_outputs=outputs, plate_view=view, views=((0, 1, 2),))
    light = lit(parameters).light(1.0, np.zeros((1, 1)))
    assert light is not None
    assert light.bed[0, 0] == pytest.approx(12.0 * (0.6 * 1.2 + 0.3 + 0.05 * 0.8))
    assert light.channels[0, 0] == pytest.approx(12.0 * (1.0 + 2.0 * 0.8) / 3.0)
    whole = lit(replace(parameters, plate_view=())).light(1.0, np.zeros((1, 1)))
    assert whole is not None and whole.bed[0, 0] == pytest.approx(12.0)


def test_a_sensor_sees_the_colour_of_cold_lamps_and_the_plate_does_not() -> None:
    plain = replace(BARE, warmup=((0.25, 10.0),))
    tinted = replace(plain, colours=(0.2, -0.1))
    times = np.array([[0.0, 5.0, 200.0]])
    first, second = (lit(p, channels=2).light(0.0, times) for p in (plain, tinted))
    assert first is not None and second is not None
    assert np.array_equal(first.bed, second.bed)
    missing = 0.25 * np.exp(-times[0] / 10.0)
    assert second.channels == pytest.approx(
        first.channels * np.stack((1.0 + 0.2 * missing, 1.0 - 0.1 * missing))
    )


def test_mains_that_wander_move_the_light_slowly() -> None:
    bank = lit(replace(BARE, mains_fraction=0.02, mains_s=10.0))
    level = bed(bank, np.arange(0.0, 20_000.0, 1.0)) / 12.0 - 1.0
    assert level.std() == pytest.approx(0.02, rel=0.1)
    after_10_s = np.corrcoef(level[:-10], level[10:])[0, 1]
    assert after_10_s == pytest.approx(math.exp(-1.0), abs=0.06)


@pytest.mark.parametrize("views", [{"views": ((1.0, 2.0),)}, {"plate_view": (1.0, 2.0)}])
def test_a_view_has_a_weight_for_each_tube(views: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="6 weights"):
        LampParameters(**views)  # type: ignore[arg-type]
