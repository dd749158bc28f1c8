"""The pull-down's curve: its plateau and time constant, what is usual, the pump-off test."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from platelink.control.contact.contact import ContactGate, ContactLimits
from platelink.control.contact.finding import Finding, Verdict
from platelink.control.contact.pulldown import NOT_KNOWN, PullDown, Usual, usual
from platelink.events.light import Cause

LIMITS = ContactLimits(low_kpa=51.0, high_kpa=90.0)
FRAME_S = 0.05


def pull_down(plateau_kpa: float, settles_s: float, seconds: float, noise_kpa: float = 0.0):
    rng, curve = np.random.default_rng(1), PullDown()
    for i in range(round(seconds / FRAME_S)):
        t = FRAME_S * i
        kpa = plateau_kpa * -math.expm1(-t / settles_s) + noise_kpa * rng.standard_normal()
        curve.add(kpa, now=t)
    return curve


def test_a_gauge_that_stood_high_before_it_followed_tells_no_time_constant() -> None:
    curve = PullDown()
    for i in range(400):
        curve.add(86.2 if i < 100 else 86.0 * -math.expm1(-(i - 100) / 100), now=0.05 * i)
    curve.add(87.0, now=20.0)
    curve.add(87.0, now=20.6)
    assert math.isnan(curve.settles_s(86.1))


@pytest.mark.parametrize("settles_s", [1.5, 5.0, 12.0])
def test_plateau_and_time_constant_are_those_of_the_curve(settles_s: float) -> None:
    """p(t) = P (1 - exp(-t S / V)): any handbook of vacuum technology, e.g. O'Hanlon (from
    memory). V = 50 L at S = 4 L/s settle with 12.5 s."""
    curve = pull_down(72.0, settles_s, 2.5 * settles_s + 4.0, noise_kpa=0.02)
    plateau, unsure = curve.plateau()
    assert abs(plateau - 72.0) <= unsure < 3.0
    assert curve.settles_s(72.0) == pytest.approx(settles_s, rel=0.04)


def test_nothing_is_told_of_what_does_not_settle() -> None:
    rising = PullDown()
    for i in range(400):
        rising.add(0.05 * i, now=FRAME_S * i)
    assert rising.plateau() is None
    still = PullDown()
    for i in range(400):
        still.add(20.0, now=FRAME_S * i)
    assert still.plateau() is None and math.isnan(still.settles_s(20.0))
    assert PullDown().plateau() is None


def gate_of(pressure, until_s: float, limits: ContactLimits = LIMITS, usually: Usual = NOT_KNOWN):
    """The gate's word on a course of pressure with its time, and the gate."""
    gate = ContactGate(limits, now=0.0, usual=usually)
    for i in range(round(until_s / FRAME_S)):
        finding = gate.add(pressure(FRAME_S * i), now=FRAME_S * i)
        if finding.verdict is not Verdict.GOING_ON:
            return finding, FRAME_S * i, gate
    return None, until_s, gate


@pytest.mark.parametrize("noise_kpa", [0.0, 0.1])
def test_a_pull_down_that_will_not_do_is_told_early(noise_kpa: float) -> None:
    rng = np.random.default_rng(2)
    short = lambda t: -43.0 * math.expm1(-t / 5.0) + noise_kpa * rng.standard_normal()  # noqa: E731
    finding, t, _ = gate_of(short, 59.0, usually=Usual(72.0, 5.0))
    assert finding.verdict is Verdict.LOST and finding.cause is Cause.CREEPING
    assert t < 25.0  # not at 60 s
    told = re.search(r"will reach ([\d.]+) kPa, needs 51.0 kPa, usually it reaches 72.0 kPa",
                     finding.text)  # fmt: skip
    assert float(told[1]) == pytest.approx(43.0, abs=1.0)
    assert finding.trouble.limit == 51.0
    assert finding.trouble.value == pytest.approx(float(told[1]), abs=0.06)


@pytest.mark.parametrize("plateau_kpa", [51.5, 53.0, 60.0])
@pytest.mark.parametrize("noise_kpa", [0.0, 0.05, 0.2])
def test_a_pull_down_that_will_do_is_never_given_up_early(
    plateau_kpa: float, noise_kpa: float
) -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        slow = lambda t, rng=rng: (  # noqa: E731
            -plateau_kpa * math.expm1(-t / 5.0) + noise_kpa * rng.standard_normal()
        )
        finding, _, _ = gate_of(slow, 40.0)
        assert finding is None or finding.verdict is Verdict.HELD


def test_a_pump_that_gains_while_it_warms_up_is_not_given_up() -> None:
    """It reaches 48 kPa with one time constant and the rest with a longer one: no straight line
    of rates, so there is no result ahead for sure."""
    warms = lambda t: -48.0 * math.expm1(-t / 4.0) - 8.0 * math.expm1(-t / 15.0)  # noqa: E731
    finding, _, _ = gate_of(warms, 59.0)
    assert finding is not None and finding.verdict is Verdict.HELD


def test_what_is_usual_is_the_middle_of_the_last() -> None:
    assert usual([(72.0, 5.0), (71.0, 5.2)]) is NOT_KNOWN
    held = [(72.0, 5.0), (71.0, math.nan), (40.0, 9.0), (73.0, 5.2)]
    assert usual(held) == Usual(71.5, 5.2)
    assert math.isnan(usual([(72.0, math.nan)] * 5).settles_s)


@pytest.mark.parametrize(
    ("plateau_kpa", "settles_s", "said"),
    [(72.0, 5.0, ""), (71.2, 6.5, ""), (66.0, 5.0, "usually 72.0 kPa"),
     (72.0, 9.0, "s as time constant, usually 5.0 s")],
)  # fmt: skip
def test_contact_that_is_not_as_usual_is_said(
    plateau_kpa: float, settles_s: float, said: str
) -> None:
    curve = lambda t: -plateau_kpa * math.expm1(-t / settles_s)  # noqa: E731
    finding, _, gate = gate_of(curve, 120.0, usually=Usual(72.0, 5.0))
    assert finding.verdict is Verdict.HELD
    assert gate.settles_s == pytest.approx(settles_s, rel=0.06)
    assert (said in finding.text) if said else ("usually" not in finding.text)
    assert ("look for a leak" in finding.text) is bool(said)


# --- a check valve --------------------------------------------------------------------------

OFF = replace(LIMITS, pump_off_test_s=3.0, pump_off_limit_kpa_per_min=4.0)


def with_valve(
    leak_kpa_per_min: float, noise_kpa: float = 0.02, limits: ContactLimits = OFF
) -> tuple[Finding | None, list[bool], float]:
    """The gate's word on a frame whose pump does what the gate says; what it said; seconds."""
    rng, gate, kpa, pump, said = (
        np.random.default_rng(3),
        ContactGate(limits, now=0.0),
        0.0,
        True,
        [],
    )
    for i in range(2400):
        now = FRAME_S * i
        kpa += FRAME_S * ((70.0 - kpa) / 3.0 if pump else -leak_kpa_per_min / 60.0)
        finding = gate.add(kpa + noise_kpa * rng.standard_normal(), now=now)
        if finding.pump is not None:
            pump = finding.pump
            said.append(pump)
        if finding.verdict is not Verdict.GOING_ON:
            return finding, said, now
    return None, said, now


@pytest.mark.parametrize("leak_kpa_per_min", [0.0, 2.0])
@pytest.mark.parametrize("noise_kpa", [0.0, 0.02])
def test_a_tight_frame_passes_the_pump_off_test(leak_kpa_per_min: float, noise_kpa: float) -> None:
    finding, said, seconds = with_valve(leak_kpa_per_min, noise_kpa)
    assert finding.verdict is Verdict.HELD and said == [False, True]
    assert seconds > 2.0 * OFF.hold_test_s + OFF.pump_off_test_s  # it is held again after it


@pytest.mark.parametrize("leak_kpa_per_min", [6.0, 20.0, 600.0])
def test_a_constant_leak_that_the_pump_hides_shows_with_the_pump_off(
    leak_kpa_per_min: float,
) -> None:
    finding, said, _ = with_valve(leak_kpa_per_min)
    assert finding.verdict is Verdict.LOST and said == [False]
    told = float(re.search(r"falls ([\d.]+) kPa/min, limit 4.0 kPa/min", finding.text)[1])
    assert told == pytest.approx(leak_kpa_per_min, abs=1.5)
    assert "a leak hidden by the pump" in finding.text and finding.cause is Cause.CREEPING


def test_without_a_check_valve_the_pump_is_never_switched_off() -> None:
    finding, said, _ = with_valve(60.0, limits=LIMITS)
    assert finding.verdict is Verdict.HELD and said == []
