"""What a unit's last exposures teach of its vacuum, from themselves and from the record."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.control.contact.noise import prior
from platelink.control.contact.past import KEPT, ContactPast, Told

RATE = 1e-5


def told(seed: int, minutes: float = 1.0, frame_s: float = 0.05, sd_kpa: float = 0.1) -> Told:
    rng, n = np.random.default_rng(seed), round(60.0 * minutes / frame_s)
    return Told(frame_s * np.arange(n), 70.0 + sd_kpa * rng.standard_normal(n), 70.0, 5.0)


def past_of(*exposures: Told, frame_s: float = 0.05) -> ContactPast:
    past = ContactPast(frame_s)
    past.remember(exposures)
    return past


def test_without_a_record_the_prior_holds() -> None:
    assert past_of().model(RATE) == prior(0.05, RATE)
    assert past_of(told(1), told(2)).model(RATE) == prior(0.05, RATE)
    assert math.isnan(past_of().usual.vacuum_kpa)


def test_with_enough_exposures_the_unit_own_noise_holds() -> None:
    past = past_of(*map(told, range(12)))
    model = past.model(RATE)
    assert model.sigma_kpa == pytest.approx(0.1, rel=0.05) and 7.0 < model.minutes < 12.0
    assert past.model(RATE) is model  # not learned anew at every exposure
    past.remember([told(99)])
    assert past.model(RATE) is not model
    assert past.usual.vacuum_kpa == 70.0 and past.usual.settles_s == 5.0


def test_a_new_exposure_counts_once_it_is_complete_and_had_no_leak() -> None:
    def exposure(past: ContactPast, *, complete: bool, leaks: bool) -> None:
        one = told(50)
        past.held(66.0, 4.0)
        for t, kpa in zip(one.t_s, one.vacuum_kpa, strict=True):
            past.add(float(kpa), now=1000.0 + float(t))
        past.add(None, now=2000.0)
        if leaks:
            past.spoilt()
        past.ended(complete=complete)

    before = past_of(*map(told, range(12)))
    minutes = before.model(RATE).minutes
    for complete, leaks in ((False, False), (True, True)):
        exposure(before, complete=complete, leaks=leaks)
        assert before.model(RATE).minutes == minutes
    exposure(before, complete=True, leaks=False)
    assert before.model(RATE).minutes > minutes
    from_record = past_of(*map(told, range(12)), told(50))
    ours, same = before.model(RATE), from_record.model(RATE)  # times differ by rounding
    assert ours.sigma_kpa == pytest.approx(same.sigma_kpa, rel=0.01)
    assert ours.cusums[3] == pytest.approx(same.cusums[3], rel=0.02)


def test_an_exposure_without_contact_teaches_nothing() -> None:
    past = past_of(*map(told, range(12)))
    minutes = past.model(RATE).minutes
    past.ended(complete=True)
    assert past.model(RATE).minutes == minutes


def test_only_the_newest_are_kept() -> None:
    past = past_of(*map(told, range(KEPT + 20)))
    assert past.model(RATE).minutes == pytest.approx(KEPT * 0.75, rel=0.05)


def test_values_at_another_pace_are_no_noise_of_this_one() -> None:
    assert past_of(*(told(i, frame_s=0.2) for i in range(12))).model(RATE).minutes == 0.0


def test_the_pump_that_still_gains_is_no_noise() -> None:
    """As much as a hold test lets pass: 6 kPa/min at its end."""

    def gaining(seed: int) -> Told:
        one = told(seed)
        return Told(one.t_s, one.vacuum_kpa - 0.5 * np.exp(-one.t_s / 5.0), 70.0, 5.0)

    model = past_of(*map(gaining, range(12))).model(RATE)
    assert model.sigma_kpa == pytest.approx(0.1, rel=0.05)
    assert sum(model.weights) < 0.2


def test_lost_frames_leave_the_noise_what_it_is() -> None:
    def lossy(seed: int) -> Told:
        one, rng = told(seed, 2.0), np.random.default_rng(1000 + seed)
        kept = rng.random(one.t_s.size) > 0.1
        return Told(one.t_s[kept], one.vacuum_kpa[kept], 70.0, 5.0)

    model = past_of(*map(lossy, range(12))).model(RATE)
    assert model.sigma_kpa == pytest.approx(0.1, rel=0.08)


@pytest.mark.parametrize("t_s", [[0.0], [0.0, 0.0, 0.05], [1.0, 0.5, 2.0]])
def test_times_that_cannot_be_teach_nothing(t_s: list[float]) -> None:
    past = past_of(Told(np.array(t_s), np.full(len(t_s), 70.0)))
    assert past.model(RATE).minutes == 0.0


def test_a_record_that_repeats_a_slower_gauge_teaches_that_gauges_noise() -> None:
    """An instrument on the bus tells a value every 0.2 s; each sample of 50 ms has the newest."""

    def repeated(one: Told) -> Told:
        t_s = np.arange(one.t_s[0], one.t_s[-1], 0.05)
        return Told(t_s, one.vacuum_kpa[(t_s / 0.2 + 1e-9).astype(int)], 70.0, 5.0)

    own = [told(seed, 2.0, 0.2) for seed in range(12)]
    itself, recorded = (ContactPast(0.2, held=True) for _ in range(2))
    itself.remember(own)
    recorded.remember(map(repeated, own))
    assert recorded.model(RATE).minutes == pytest.approx(itself.model(RATE).minutes, rel=0.02)
    assert recorded.model(RATE).sigma_kpa == pytest.approx(itself.model(RATE).sigma_kpa, rel=0.05)
    assert past_of(*map(repeated, own), frame_s=0.2).model(RATE).minutes == 0.0
