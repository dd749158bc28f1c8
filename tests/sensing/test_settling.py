"""Counts that come in frames: their mean and scatter, and when they stand still."""

import numpy as np
import pytest

from platelink.sensing.calibrate import too_quiet
from platelink.sensing.calibration import Quantity
from platelink.sensing.settling import Frame, Settling

TICKS = 50
Conversions = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def fed(conversions: Conversions, quantity: Quantity) -> Settling:
    """Whole counts, as a converter gives them."""
    settling = Settling(quantity)
    codes = np.floor(conversions + 0.5).astype(int)
    for i, frame in enumerate(codes.reshape(-1, TICKS)):
        t = 5.0 + (i + 1) * TICKS / 1000.0
        settling.add(
            Frame(t, int(frame.sum()), TICKS, int(frame.min()), int(frame.max()), 31.0, 4.97)
        )
    return settling


def noise(sigma: float, seconds: float, mean: float, seed: int = 1) -> Conversions:  # fmt: skip
    return np.random.default_rng(seed).normal(mean, sigma, int(seconds * 1000))


def test_mean_and_scatter_of_single_conversions_from_sums_alone() -> None:
    now = fed(noise(0.8, 8.0, 431.27), Quantity.VACUUM).now()
    assert now.settled and now.text == "settled"
    assert now.counts is not None
    assert now.counts.mean == pytest.approx(431.27, abs=0.05)
    # a converter's steps add 1/12 (Sheppard)
    assert now.counts.rms == pytest.approx((0.8**2 + 1 / 12) ** 0.5, rel=0.2)
    assert 5900 <= now.counts.n <= 6100
    assert now.counts.head_c == 31.0 and now.counts.supply_v == pytest.approx(4.97)


def test_the_stated_uncertainty_of_the_mean_is_how_means_scatter() -> None:
    means, stated = [], []
    for seed in range(60):
        now = fed(noise(0.8, 7.0, 431.27, seed), Quantity.VACUUM).now()
        assert now.counts is not None
        means.append(now.counts.mean)
        stated.append(now.counts.u_mean)
    assert float(np.std(means)) == pytest.approx(float(np.mean(stated)), rel=0.35)


def test_nothing_is_settled_before_its_window_is_full() -> None:
    settling = fed(noise(0.6, 4.0, 300.0), Quantity.VACUUM)
    now = settling.now()
    assert not now.settled and 1.0 < now.waits_s < 3.0
    assert "s more" in now.text
    assert not Settling(Quantity.OVEN).now().settled


def test_a_drift_is_not_settled_until_it_ends() -> None:
    drifting = noise(0.6, 8.0, 300.0) + np.linspace(0.0, 4.0, 8000)
    now = fed(drifting, Quantity.VACUUM).now()
    assert not now.settled
    assert now.drift == pytest.approx(3.0, abs=0.4)  # of the 6 s that are looked at
    assert "not settled: +" in now.text


@pytest.mark.parametrize("frames", [2, 3, 10])
def test_a_level_that_was_just_changed_is_not_taken_with_what_was_before(frames: int) -> None:
    conversions = noise(0.6, 20.0, 300.0)
    conversions[-frames * TICKS :] += 40.0
    now = fed(conversions, Quantity.LIGHT).now()
    assert not now.settled and "not settled" in now.text


def test_noise_too_great_to_be_sure_of_is_not_settled() -> None:
    rng = np.random.default_rng(4)
    wandering = 300.0 + np.cumsum(rng.normal(0.0, 0.1, 8000))
    assert not fed(wandering, Quantity.VACUUM).now().settled


def test_what_is_unsure_to_move_is_not_settled() -> None:
    """Independent frames so noisy that a drift of twice the limit would not be seen."""
    now = fed(noise(30.0, 8.0, 300.0, 5), Quantity.VACUUM).now()
    assert abs(now.drift) < now.limit + 2.0 and not now.settled


def test_lamps_may_waver_where_a_gauge_may_not() -> None:
    rising = np.linspace(0.0, 5.0, 20_000)  # 0.6 % in 20 s
    assert fed(noise(0.6, 20.0, 800.0) + rising, Quantity.LIGHT).now().settled
    assert (
        not fed(noise(0.6, 64.0, 800.0) + np.linspace(0.0, 5.0, 64_000), Quantity.OVEN)
        .now()
        .settled
    )


def test_frames_missing_for_long_begin_it_anew() -> None:
    settling = fed(noise(0.6, 8.0, 300.0), Quantity.VACUUM)
    settling.add(Frame(30.0, 15000, TICKS, 299, 301, None, None))
    assert not settling.now().settled
    settling.add(Frame(29.0, 15000, TICKS, 299, 301, None, None))  # a clock that steps back
    assert settling.now().counts is None


@pytest.mark.parametrize("quantity", [Quantity.VACUUM, Quantity.OVEN])
def test_which_converters_are_too_quiet(quantity: Quantity) -> None:
    """At eight places within a step: 0.3 steps of noise are never called quiet, 0.1 nearly always
    (between two steps it toggles; the levels beside it tell)."""
    seconds = 8.0 if quantity is Quantity.VACUUM else 64.0
    quiet = {0.1: 0, 0.3: 0}
    for sigma in quiet:
        for place in range(8):
            now = fed(noise(sigma, seconds, 400.0 + place / 8.0, place), quantity).now()
            assert now.counts is not None
            quiet[sigma] += too_quiet(now.counts)
    assert quiet == {0.1: 8, 0.3: 0}
