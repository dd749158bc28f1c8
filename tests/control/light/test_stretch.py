"""The second pair of eyes, and the aim of the standing order, on made-up samples."""

from __future__ import annotations

import pytest

from platelink.control.light.agreement import DISAGREEMENT_FRAMES
from platelink.control.light.aim import Aim, LightTrend
from platelink.control.light.dose import DoseMeter, DoseRule, Point
from platelink.control.light.plan import StretchPlan
from platelink.control.light.stretch import Phase, Stretch
from platelink.control.states import Learned, Noted, Send
from platelink.link import messages as m
from platelink.sensing.light import LightChannel, LightSensors

TICK_S = 0.001
FRAME = 50
LIGHT = LightSensors((LightChannel(dark_counts=20.0, slope_mw_cm2_per_count=0.01),))
COUNTS = 620  # 6 mW/cm²
ORDER = 7


def sample(ticks: int, light_ticks: int, order_sum: int, state: int) -> tuple[m.Sample, Point]:
    total = 20 * ticks + 600 * light_ticks
    least, most = (0, 0, 0, 0), (1, 1, 1, 1)
    message = m.Sample(
        ticks, 3, 0, 0, state, 0, 0, ORDER, (total, 0, 0, 0), (ticks, 0, 0, 0), least, most,
        0, 0, 0, 0, 0, 0, 0, 0, order_sum, 0, 0, 0,
    )  # fmt: skip
    return message, Point(ticks, (total,), (ticks,), TICK_S, None)


def stretch(p: float = 1.0, target: float = 100.0) -> Stretch:
    meter = DoseMeter(DoseRule(LIGHT, p, 10.0))
    plan = StretchPlan(
        order=ORDER, target_dose_mj_cm2=target, predicted_s=20.0, guard_s=60.0, silence_s=2.0,
        silence_policy=m.SilencePolicy.FINISH, expected_mw_cm2=6.0, dark_mw_cm2=0.12,
        learned=Learned(), adc_max=1023, tolerance_pct=1.0,
    )  # fmt: skip
    return Stretch(plan, meter, sample(0, 0, 0, m.OrderState.ARMED)[1])


def light(this: Stretch, frames: int, device_share: float = 1.0) -> list[object]:
    """Feed frames of steady light; the device's own sum is a share of the true one."""
    scale = LIGHT.order_weights(None)
    said: list[object] = []
    for i in range(1, frames + 1):
        ticks = i * FRAME
        order_sum = round(device_share * 6.0 * ticks * TICK_S * scale.counts_per_mj_cm2(TICK_S))
        message, point = sample(ticks, ticks, order_sum, m.OrderState.OPEN)
        said += this.sample(message, point, refine=True)
    return said


def test_agreeing_sums_are_no_fault() -> None:
    this = stretch()
    said = light(this, 200)
    assert this.phase is Phase.LIGHT and not this.fault
    assert this.meter.dose_mj_cm2 == pytest.approx(6.0 * 10.0, rel=1e-9)
    assert [o.name for o in said if isinstance(o, Noted)] == ["lamp on", "light seen"]


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_a_device_that_counts_otherwise_is_a_fault(share: float) -> None:
    this = stretch()
    frames = 0
    while not this.fault and frames < 400:
        frames += 1
        this = stretch()
        light(this, frames, share)
    # 10 % of 6 mW/cm² passes 1 % of 100 mJ/cm² after 1 / 0.6 s, plus the frames it must last
    assert frames == pytest.approx(1.0 / 0.6 / (FRAME * TICK_S) + DISAGREEMENT_FRAMES, abs=1.5)
    assert "differ by more than 1.00" in this.fault
    assert (this.trouble.name, this.trouble.limit) == ("doses disagree", 1.0)
    assert this.trouble.value == pytest.approx(
        0.1 * 6.0 * FRAME * TICK_S * frames
    )  # % of 100 mJ/cm²


@pytest.mark.parametrize("unseen_s", [0.3, 10.0])
def test_light_that_nobody_saw_after_the_close_may_not_be_the_lamps(unseen_s: float) -> None:
    """3 s of light, told by the device; after it 0.25 s of something as bright in one window."""
    this = stretch(target=18.0)
    light(this, 60)
    closed, bright, later = 3_000, 250, 3_000 + round(1000 * unseen_s)
    sums = [20 * closed + 600 * closed, 20 * later + 600 * (closed + bright)]
    message, _ = sample(later, 0, 0, m.OrderState.CLOSED)
    point = Point(later, (sums[1],), (later,), TICK_S, None)
    this.sample(message, point, refine=True)
    zeros = (0, 0, 0, 0)
    report = m.OrderReport(
        ORDER, m.OrderState.CLOSED, m.CloseReason.DOSE, 1, 0, closed,
        round(18.0 * LIGHT.order_weights(None).counts_per_mj_cm2(TICK_S)), 0,
        zeros, (sums[0], 0, 0, 0), zeros, (closed, 0, 0, 0),
    )  # fmt: skip
    this.order_report(report, 0, closed)
    assert this.meter.dose_mj_cm2 == pytest.approx(18.0 + 1.5, abs=0.01)
    less = this.sensor_doubt().less
    assert less == pytest.approx(1.5 if unseen_s > 1.0 else 0.0, abs=0.01)


def test_the_target_of_steady_light_is_the_dose() -> None:
    this = stretch()
    arm = this.arm()
    scale = LIGHT.order_weights(None)
    assert arm.target == pytest.approx(100.0 * scale.counts_per_mj_cm2(TICK_S), rel=1e-9)
    commands = [o.command for o in light(this, 330) if isinstance(o, Send)]
    rearms = [command for command in commands if isinstance(command, m.Rearm)]
    assert rearms == commands
    half_a_tick = 0.5 * 6.0 * scale.counts_per_mw_tick
    assert abs(rearms[-1].target - (arm.target - half_a_tick)) <= 0.5 * half_a_tick


@pytest.mark.parametrize(
    ("frames", "share", "corrections"), [(220, 1.0, 0), (330, 1.0, 1), (90, 0.999, 3)]
)
def test_small_corrections_wait_until_the_end_is_near(
    frames: int, share: float, corrections: int
) -> None:
    """The half tick of steady light is 1e-4 of 5 s and waits until then: 11.7 s of 16.7 s are 233
    frames. A device that counts 0.1 % less is a tick off each second: 1e-4 of the rest after 1.1,
    2.55 and 3.85 s."""
    this = stretch()
    this.arm()
    assert len([o for o in light(this, frames, share) if isinstance(o, Send)]) == corrections


@pytest.mark.parametrize("p", [0.5, 0.8, 0.9, 1.0, 1.3])
def test_the_aim_counts_the_remainder_by_reciprocity(p: float) -> None:
    """At 6 of 10 mW/cm² a second of light is worth 10 · 0.6^p of dose (Schwarzschild)."""
    this = stretch(p)
    light(this, 100)
    rate = 10.0 * 0.6**p
    assert this.meter.dose_mj_cm2 == pytest.approx(5.0 * rate, rel=1e-6)
    assert this.remaining_s == pytest.approx(100.0 / rate - 5.0, rel=1e-6)


def test_one_odd_sum_of_the_device_holds_nothing_five_in_a_row_do() -> None:
    """Half as much again is more than the limit of 1 mJ/cm² once 2 have fallen: after frame 7."""
    for frames, faulty in [(10, False), (11, True)]:
        this = stretch()
        light(this, frames, 1.5)
        assert bool(this.fault) == faulty, frames


def test_the_light_goes_off_by_its_after_glow_before_the_dose() -> None:
    rule = DoseRule(LIGHT)
    aim = Aim(
        rule, LIGHT.order_weights(None), target_dose_mj_cm2=60.0, afterglow_s=0.5,
        expected_mw_cm2=6.0,
    )  # fmt: skip
    for _ in range(20):
        aim.trend.add(6.0, 0.05)
    assert aim.remaining_s(0.0) == pytest.approx(10.0 - 0.5)
    assert aim.remaining_s(57.0) == 0.0


def test_trend_follows_a_ramp() -> None:
    trend = LightTrend()
    for i in range(40):
        trend.add(5.0 + 0.5 * (i + 0.5) * 0.05, 0.05)
    assert trend.slope() == pytest.approx(0.5, rel=1e-9)
    assert trend.level() == pytest.approx(5.0 + 0.5 * 1.875, rel=1e-9)
    assert trend.ahead(1.0) == pytest.approx(trend.level() + 0.5, rel=1e-9)
    assert trend.ahead(1000.0) == pytest.approx(1.3 * trend.level())


def test_the_aim_in_the_dark_never_ends() -> None:
    rule = DoseRule(LIGHT)
    aim = Aim(
        rule, LIGHT.order_weights(None), target_dose_mj_cm2=10.0, afterglow_s=0.0,
        expected_mw_cm2=6.0,
    )  # fmt: skip
    assert aim.remaining_s(0.0) == float("inf")
    assert aim.remaining_s(10.0) == 0.0
