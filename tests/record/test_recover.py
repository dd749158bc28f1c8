"""A run left open by a crash is closed with what is known, and never as complete."""

from dataclasses import replace

import numpy as np
import pytest

from platelink.link import messages as m
from platelink.record.account import DeviceAccount
from platelink.record.recover import (
    POWER_CUT_UNSEEN_S,
    Recovered,
    close_open_run,
    recovered,
    told_late,
)
from platelink.record.stored import OpenRun
from platelink.runs import RunEvent, RunStart, SampleBlock
from platelink.warming import may_rise
from record.make import T0, UNIT, later

BOOT, ORDER = 77, 3
LIGHT = {
    "channels": [{"dark_counts": 40.0, "slope_mw_cm2_per_count": 0.01}],
    "tick_s": 1e-3,
}
# Invented: 10 mW/cm² is 1000 counts over a dark of 40; light from count 10,000 on.
LIT, PER_TICK = 10_000, 1040


def sums_at(count: int) -> int:
    """Cumulative sum when the device has counted ``count`` ticks, lit since ``LIT``."""
    return 40 * min(count, LIT) + PER_TICK * max(0, count - LIT)


def sample_at(count: int, dose: float, *, wrapped: int = 0) -> SampleBlock:
    return SampleBlock(
        ticks=np.array([count], np.int64),
        at_utc_ms=np.array([int(T0.timestamp() * 1000) + count], np.int64),
        raw={
            "light_sum_0": np.array([sums_at(count)], np.uint64),
            "light_count_0": np.array([(count + wrapped) % 2**32], np.uint64),
        },
        values={
            "dose_mj_cm2": np.array([dose]),
            "head_c": np.array([np.nan]),
            "tick_s": np.array([1e-3]),
            "irradiance_mw_cm2": np.array([10.0 if count > LIT else 0.0]),
            "counting": np.array([float(count > LIT)]),
        },
    )


def open_run(
    last: SampleBlock | None,
    light=LIGHT,
    boot_id: int | None = BOOT,
    learned=None,
    order=None,
    **fields,
) -> OpenRun:
    start = RunStart(
        id="x-1", run_id="r1", unit=UNIT, at_utc=T0, step="film",
        conditions={"light": light, "device": {"boot_id": boot_id, "order": order},
                    "learned": learned}, **fields,
    )  # fmt: skip
    return OpenRun(start, None, 20 if last else 0, 1, last, last)


def armed(order: int = ORDER, **data) -> RunEvent:
    return RunEvent(
        id="x-2", run_id="r1", unit=UNIT, at_utc=T0, name="armed", ticks=9_000,
        data={"order": order} | data,
    )  # fmt: skip


def account(close: int, *, order=ORDER, boot=BOOT, lamp_on=False, wrapped=0) -> DeviceAccount:
    """From a report as the device would send it."""
    report = m.OrderReport(
        order=order,
        state=m.OrderState.OPEN if lamp_on else m.OrderState.CLOSED,
        close_reason=m.CloseReason.NONE if lamp_on else m.CloseReason.DOSE,
        boot_id=boot,
        open_tick=LIT,
        close_tick=close,
        order_sum=1000 * (close - LIT),
        order_target=34_000_000,
        open_sum=(sums_at(LIT), 0, 0, 0),
        close_sum=(sums_at(close), 0, 0, 0),
        open_count=((LIT + wrapped) % 2**32, 0, 0, 0),
        close_count=((close + wrapped) % 2**32, 0, 0, 0),
    )
    return DeviceAccount(
        order=report.order,
        boot_id=report.boot_id,
        lamp_on=report.state == m.OrderState.OPEN,
        closed_by=m.CloseReason(report.close_reason).name.lower(),
        open_sum=report.open_sum,
        close_sum=report.close_sum,
        open_count=report.open_count,
        close_count=report.close_count,
    )


def close(run: OpenRun, events: list[RunEvent], told: DeviceAccount | None):
    end = close_open_run(run, events, told, entry_id="x-9", at_utc=later(90))
    assert end.state == "interrupted"  # whatever the sums say
    assert (end.id, end.run_id, end.samples, end.events) == ("x-9", "r1", run.samples, run.events)
    assert "judge the plate" in end.reason
    return end


@pytest.mark.parametrize("wrapped", [0, 2**32 - 20_000])
def test_device_knows_the_rest(wrapped: int) -> None:
    # Stored up to 20 s of light (200 mJ/cm²); the order closed after 34 s (340 mJ/cm²).
    run = open_run(sample_at(LIT + 20_000, 200.0, wrapped=wrapped))
    end = close(run, [armed()], account(LIT + 34_000, wrapped=wrapped))
    assert end.dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)
    assert end.device_dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)
    assert end.light_s == pytest.approx(34.0)
    assert end.data["stored_dose_mj_cm2"] == 200.0
    assert end.data["after_last_sample_mj_cm2"] == pytest.approx(140.0, rel=1e-9)
    assert end.data["gap_s"] == pytest.approx(60.0)
    assert "200.00 mJ/cm² until the last stored sample" in end.reason
    assert "closed its order by dose, 140.00 mJ/cm² after that sample" in end.reason


def test_lamp_still_on() -> None:
    run = open_run(sample_at(LIT + 20_000, 200.0))
    end = close(run, [armed()], account(LIT + 30_000, lamp_on=True))
    assert end.dose_mj_cm2 == pytest.approx(300.0, rel=1e-9)
    assert "the lamp is still on under its order" in end.reason


def test_order_opened_after_the_last_sample() -> None:
    run = open_run(sample_at(LIT - 500, 0.0))
    end = close(run, [armed()], account(LIT + 34_000))
    assert end.dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)


def test_last_sample_after_the_close_needs_nothing_more() -> None:
    run = open_run(sample_at(LIT + 50_000, 341.3))
    end = close(run, [armed()], account(LIT + 34_000))
    assert end.dose_mj_cm2 == 341.3
    assert end.data["after_last_sample_mj_cm2"] == 0.0


@pytest.mark.parametrize("stored", [20_000, 34_300])
def test_light_after_the_close_that_nobody_saw_is_a_bound(stored: int) -> None:
    """A contactor that falls 0.5 s late: the sums of the newest sample know of it."""
    late = 500
    told = account(LIT + 34_000)
    at = LIT + 34_000 + 8_000
    total = sums_at(LIT + 34_000 + late) + 40 * (8_000 - late)
    told = replace(told, now_sum=(total, 0, 0, 0), now_count=(at, 0, 0, 0))
    run = open_run(sample_at(LIT + stored, 10.0 * stored / 1000.0))
    end = close(run, [armed()], told)
    fell_later = (late - max(0, stored - 34_000)) * 1e-2
    assert end.dose_mj_cm2 == pytest.approx(max(340.0, stored / 100.0))
    assert end.data["uncertain_mj_cm2"] == pytest.approx(fell_later, rel=1e-6)
    assert f"up to {fell_later:.2f} more may have been given unseen" in end.reason
    dark = replace(told, now_sum=(sums_at(LIT + 34_000) + 40 * 8_000, 0, 0, 0))
    assert close(open_run(run.last), [armed()], dark).data["uncertain_mj_cm2"] == 0.0


def test_second_stretch_adds_to_the_first() -> None:
    run = open_run(sample_at(LIT + 1_000, 110.0))
    end = close(run, [armed(2), armed(ORDER)], account(LIT + 32_000))
    assert end.dose_mj_cm2 == pytest.approx(110.0 + 310.0, rel=1e-9)
    assert end.device_dose_mj_cm2 is None  # its sums tell of the second order only
    assert end.data["orders"] == [2, 3]


def test_dark_reading_of_the_run_is_used() -> None:
    run = open_run(sample_at(LIT, 0.0))
    end = close(run, [armed(dark_counts_0=140.0)], account(LIT + 10_000))
    assert end.dose_mj_cm2 == pytest.approx(90.0, rel=1e-9)


def test_reciprocity_counts() -> None:
    light = LIGHT | {"reciprocity_p": 0.8, "reference_mw_cm2": 20.0}
    run = open_run(sample_at(LIT, 0.0), light)
    end = close(run, [armed()], account(LIT + 10_000))
    assert end.dose_mj_cm2 == pytest.approx(20.0 * 0.5**0.8 * 10.0, rel=1e-9)


@pytest.mark.parametrize(
    ("events", "told", "text"),
    [
        ([armed()], None, "the device did not answer"),
        ([armed()], account(LIT + 1, boot=78), "restarted since; its sums are lost"),
        ([], account(LIT + 1), "no light was ordered"),
        ([armed(2)], account(LIT + 1), "its order 3 is not recorded"),
    ],
)
def test_device_cannot_tell(events: list[RunEvent], told: DeviceAccount | None, text: str) -> None:
    end = close(open_run(sample_at(LIT + 20_000, 200.0)), events, told)
    assert text in end.reason
    assert end.dose_mj_cm2 == 200.0
    assert end.device_dose_mj_cm2 is None and end.light_s is None


@pytest.mark.parametrize("last", [None, sample_at(LIT - 500, 0.0)])
def test_light_of_an_order_that_the_record_does_not_hold_is_told(last) -> None:
    """The power failed before the order reached the disk, and the device went on."""
    end = close(open_run(last, order=ORDER - 1), [], account(LIT + 34_000))
    assert "its order 3 is not recorded" in end.reason
    assert "no light" not in end.reason
    assert end.dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)


def test_an_order_before_the_run_is_none_of_its_light() -> None:
    run = open_run(sample_at(LIT - 500, 0.0), order=ORDER)
    end = close(run, [], account(LIT + 34_000))
    assert "no light was ordered" in end.reason and end.dose_mj_cm2 == 0.0


def test_an_unrecorded_order_that_cannot_be_counted_leaves_a_doubt() -> None:
    dark = sample_at(LIT - 500, 0.0)
    run = open_run(dark, light=None, order=ORDER - 1, learned={"irradiance_mw_cm2": 10.0})
    end = close(run, [], account(LIT + 34_000))
    assert "no light" not in end.reason
    assert end.data["uncertain_mj_cm2"] > 340.0


def test_two_orders_are_accounted_by_the_device_s_sums() -> None:
    """In light by the first at the last stored sample; the second was given unrecorded."""
    opened = LIT + 25_000
    second = replace(
        account(LIT + 34_000),
        open_sum=(sums_at(opened), 0, 0, 0),
        open_count=(opened, 0, 0, 0),
    )
    end = close(open_run(HALF), [armed(ORDER - 1)], second)
    assert end.dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)


def test_an_order_that_was_never_opened_gave_no_light() -> None:
    run = open_run(sample_at(LIT - 500, 0.0), order=ORDER - 1)
    end = close(run, [armed()], replace(account(LIT), closed_by="none"))
    assert "the device took its order and gave no light by it" in end.reason
    assert end.data["uncertain_mj_cm2"] == 0.0 and end.dose_mj_cm2 == 0.0


def test_boot_seen_last_is_the_one_that_counts() -> None:
    back = RunEvent(
        id="x-3", run_id="r1", unit=UNIT, at_utc=T0, name="device restarted", data={"boot_id": 78}
    )
    run = open_run(sample_at(LIT + 20_000, 200.0))
    assert (
        "the device has restarted since"
        in close(run, [armed(), back], account(LIT + 34_000)).reason
    )
    assert close(run, [armed(), back], account(LIT + 34_000, boot=78)).dose_mj_cm2 > 320.0


def test_nothing_stored_and_no_calibration() -> None:
    end = close(open_run(None, light=None), [armed()], account(LIT + 34_000))
    assert end.dose_mj_cm2 is None
    assert "no calibration was recorded" in end.reason
    assert end.data["gap_s"] == 90.0
    told = close(open_run(None), [armed()], account(LIT + 34_000))
    assert told.dose_mj_cm2 == pytest.approx(340.0, rel=1e-9)


# --- the same as numbers ---


def told(name: str, seconds: float, **data) -> RunEvent:
    """An event so many seconds after ``T0``, where the device had counted none."""
    return RunEvent(id="x-4", run_id="r1", unit=UNIT, at_utc=later(seconds), name=name, data=data)


LAMP_ON = told("lamp on", LIT / 1000)
HALF = sample_at(LIT + 20_000, 200.0)  # 20 s of light are stored; "now" is 60 s after it
LIT_S = 20.0
RISE = may_rise(LIT_S, POWER_CUT_UNSEEN_S)
GUARDED = armed(guard_s=45.0, predicted_s=34.0)


def numbers(
    run: OpenRun, events: list[RunEvent], account: DeviceAccount | None, **more
) -> Recovered:
    found = recovered(run, events, account, at_utc=later(90), **more)
    end = close_open_run(run, events, account, entry_id="x-9", at_utc=later(90), **more)
    assert end.dose_mj_cm2 == found.dose_mj_cm2
    assert end.data["uncertain_mj_cm2"] == found.uncertain_mj_cm2
    more_text = f"up to {found.uncertain_mj_cm2:.2f} more may have been given unseen"
    assert (more_text in end.reason) == (found.uncertain_mj_cm2 > 0.0)
    return found


def test_numbers_when_the_device_knows_all() -> None:
    found = numbers(open_run(HALF), [GUARDED, LAMP_ON], account(LIT + 34_000))
    assert found == Recovered(pytest.approx(340.0), 0.0, pytest.approx(34.0), False, True)
    still = numbers(open_run(HALF), [GUARDED, LAMP_ON], account(LIT + 30_000, lamp_on=True))
    assert still == Recovered(pytest.approx(300.0), 0.0, pytest.approx(30.0), True, True)
    # The after-glow of a close that no sample saw: 50 ms of 15 mW/cm².
    learned = {"afterglow_s": 0.05, "irradiance_mw_cm2": 15.0}
    glow = numbers(open_run(HALF, learned=learned), [GUARDED, LAMP_ON], account(LIT + 34_000))
    assert glow.uncertain_mj_cm2 == pytest.approx(0.75)


def test_power_cut_of_both() -> None:
    other = account(0, boot=BOOT + 1)
    lit = numbers(open_run(HALF), [GUARDED, LAMP_ON], other, computer_restarted=True)
    assert lit == Recovered(
        200.0, pytest.approx(10.0 * RISE * POWER_CUT_UNSEEN_S), 20.0, False, False
    )
    # After a minute of light they are all but warm.
    long = sample_at(LIT + 60_000, 600.0)
    hot = numbers(open_run(long), [armed(guard_s=99.0), LAMP_ON], other, computer_restarted=True)
    assert hot.uncertain_mj_cm2 == pytest.approx(10.0 * POWER_CUT_UNSEEN_S, rel=0.01)
    # Brighter than the last sample, as earlier exposures were: lamps that still warmed up.
    warm = numbers(
        open_run(HALF, learned={"irradiance_mw_cm2": 15.0}), [GUARDED], other,
        computer_restarted=True,
    )  # fmt: skip
    assert warm.uncertain_mj_cm2 == pytest.approx(30.0)  # two seconds
    # Ordered after the last sample: it may have begun. 340 mJ/cm² in 34 s are 10 mW/cm².
    before = sample_at(LIT - 500, 0.0)
    run = open_run(before, target_dose_mj_cm2=340.0)
    begun = numbers(run, [GUARDED], other, computer_restarted=True)
    assert begun.uncertain_mj_cm2 == pytest.approx(10.0 * POWER_CUT_UNSEEN_S)
    # Nothing was ordered yet.
    assert numbers(run, [], other, computer_restarted=True) == Recovered(
        0.0, 0.0, None, False, False
    )


def test_what_was_foretold_bounds_the_light_that_nobody_saw() -> None:
    """In the strike it stands for fresh lamps; later lamps rise to no more than it."""
    other, light = account(0, boot=BOOT + 1), LIGHT | {"expected_mw_cm2": 30.0}
    learned = {"low_mw_cm2": 7.0, "high_mw_cm2": 10.4}
    for lit_s, most in ((0.4, 10.4), (6.0, 10.4), (300.0, 10.0)):
        run = open_run(sample_at(LIT + round(1000 * lit_s), 10.0 * lit_s), light, learned=learned)
        guarded = [armed(guard_s=900.0), LAMP_ON]
        found = numbers(run, guarded, other, computer_restarted=True)
        assert found.uncertain_mj_cm2 == pytest.approx(most * POWER_CUT_UNSEEN_S, rel=0.005)


def dimmed(told: DeviceAccount, mj_cm2: float) -> DeviceAccount:
    """The sensor missed so much of the light before the close, or told so much too much."""
    less = round(mj_cm2 / 10.0 * 1000.0 * 1000.0)  # 10 mW/cm² are 1000 counts a tick of 1 ms
    return replace(told, close_sum=(told.close_sum[0] - less, 0, 0, 0))


@pytest.mark.parametrize("off", [20.0, 5.0, -60.0])
def test_a_sensor_that_failed_while_nobody_watched_is_doubted(off: float) -> None:
    """10 mW/cm² were seen for 20 s; for the 14 s that follow the device's sums alone tell, and
    nobody says whether lamps or sensor changed."""
    told = dimmed(account(LIT + 34_000), off)
    found = numbers(open_run(HALF), [GUARDED, LAMP_ON], told)
    assert found.dose_mj_cm2 == pytest.approx(340.0 - off)
    if off > 0.0:
        assert found.uncertain_mj_cm2 == pytest.approx(
            off + 140.0 * (may_rise(20.0, 14.0) - 1.0), rel=0.02
        )
        assert found.doubtful_mj_cm2 == pytest.approx(0.2 * (140.0 - off))  # or it stood still
    else:
        assert found.uncertain_mj_cm2 == 0.0
        assert -off <= found.doubtful_mj_cm2 <= -off + 0.03 * 140.0
    assert numbers(open_run(HALF), [GUARDED, LAMP_ON], account(LIT + 34_000)).uncertain_mj_cm2 == 0


def test_light_that_began_while_nobody_watched_is_judged_by_the_light_before() -> None:
    """The first stretch lost 0.5 s to striking and gave 10 mW/cm²; of the second nothing was seen.
    Invented figures."""
    before = sample_at(LIT - 500, 110.0)
    off = told("lamp off", 0.0, light_s=11.5, dose_mj_cm2=110.0, plain_mj_cm2=110.0,
               irradiance_mw_cm2=10.0)  # fmt: skip
    events = [armed(ORDER - 1), off, armed(ORDER, guard_s=30.0)]
    whole = account(LIT + 8_000)
    assert numbers(open_run(before), events, dimmed(whole, 4.0)).uncertain_mj_cm2 == 0.0
    dark = numbers(open_run(before), events, dimmed(whole, 4.0 + 20.0))
    assert 20.0 <= dark.uncertain_mj_cm2 <= 20.0 + 4.0 + 80.0 / 3.0
    # Without any light before it, fresh lamps bound it.
    fresh = open_run(before, LIGHT | {"expected_mw_cm2": 12.0})
    first = numbers(fresh, [armed(ORDER, guard_s=30.0)], dimmed(whole, 24.0))
    assert first.uncertain_mj_cm2 == pytest.approx(8.0 * 12.0 - 56.0)


def test_lamps_that_may_not_have_struck_are_as_strong_as_fresh_ones_at_most() -> None:
    """A sample with a part of the strike in it tells too little; a second later too."""
    other, light = account(0, boot=BOOT + 1), LIGHT | {"expected_mw_cm2": 30.0}
    for lit_s, most in ((0.4, 30.0), (4.9, 30.0), (5.1, 10.0 * may_rise(5.1, POWER_CUT_UNSEEN_S))):
        run = open_run(sample_at(LIT + round(1000 * lit_s), 10.0 * lit_s), light)
        found = numbers(run, [GUARDED, LAMP_ON], other, computer_restarted=True)
        assert found.uncertain_mj_cm2 == pytest.approx(most * POWER_CUT_UNSEEN_S)


@pytest.mark.parametrize("dark", ["lamp off", "held"])
def test_power_cut_in_the_dark_leaves_nothing_uncertain(dark: str) -> None:
    over = told(dark, 52.0, light_s=34.0, dose_mj_cm2=341.0)
    other = account(0, boot=BOOT + 1)
    found = numbers(open_run(HALF), [GUARDED, LAMP_ON, over], other, computer_restarted=True)
    assert found.uncertain_mj_cm2 == 0.0
    if dark == "lamp off":  # told after the last sample on disk
        assert (found.dose_mj_cm2, found.light_s) == (341.0, 34.0)


def test_what_the_device_may_have_gone_on_to_give() -> None:
    # 60 s since the last sample; the guard lets 45 - 20 s more through.
    for gone in (None, account(0, boot=BOOT + 1), account(LIT + 1, order=ORDER + 1)):
        found = numbers(open_run(HALF), [GUARDED, LAMP_ON], gone)
        assert found.uncertain_mj_cm2 == pytest.approx(may_rise(LIT_S, 25.0) * 250.0)
        assert found.boot_known == (gone is not None and gone.boot_id == BOOT)
    early = recovered(open_run(HALF), [GUARDED, LAMP_ON], None, at_utc=later(33))
    assert early.uncertain_mj_cm2 == pytest.approx(may_rise(LIT_S, 25.0) * 250.0), (
        "it may be on for longer"
    )
    anew = account(0, boot=BOOT + 1)
    soon = recovered(open_run(HALF), [GUARDED, LAMP_ON], anew, at_utc=later(33))
    assert soon.uncertain_mj_cm2 == pytest.approx(may_rise(LIT_S, 3.0) * 30.0)
    set_back = recovered(open_run(HALF), [GUARDED, LAMP_ON], None, at_utc=later(-900))
    assert set_back.uncertain_mj_cm2 == pytest.approx(may_rise(LIT_S, 25.0) * 250.0)
    unguarded = numbers(open_run(HALF), [armed(), LAMP_ON], None)
    assert unguarded.uncertain_mj_cm2 == pytest.approx(may_rise(LIT_S, 60.0) * 600.0)


def test_an_account_that_comes_after_the_end() -> None:
    run, lit = open_run(HALF), [GUARDED, LAMP_ON]
    off = told("lamp off", 45.0, light_s=34.0, dose_mj_cm2=341.0)
    late = told_late(run, lit, account(LIT + 34_000), at_utc=later(900))
    assert late == Recovered(pytest.approx(340.0), 0.0, pytest.approx(34.0), False, True)
    for events, told_now in [
        (lit, account(LIT + 34_000, order=ORDER + 1)),
        (lit, account(LIT + 34_000, order=ORDER - 1)),
        (lit, account(LIT + 34_000, boot=BOOT + 1)),
        (lit, account(LIT + 34_000, lamp_on=True)),
        ([*lit, off], account(LIT + 34_000)),  # it was in time
    ]:
        assert told_late(run, events, told_now, at_utc=later(900)) is None


def test_an_order_the_device_never_took_gave_no_light() -> None:
    run = open_run(sample_at(LIT - 500, 110.0), target_dose_mj_cm2=340.0)
    over = told("lamp off", 5.0, light_s=11.0, dose_mj_cm2=110.0)
    found = numbers(run, [armed(2), over, GUARDED], account(LIT + 1, order=2))
    assert found == Recovered(110.0, 0.0, 11.0, False, True)


def test_light_of_all_stretches() -> None:
    first = [armed(2), told("lamp on", 1.0), told("lamp off", 4.0, light_s=3.0, dose_mj_cm2=30.0)]
    run = open_run(sample_at(LIT + 1_000, 40.0))
    found = numbers(run, [*first, GUARDED, LAMP_ON], account(LIT + 39_000))
    assert found.light_s == pytest.approx(3.0 + 39.0)
    assert found.dose_mj_cm2 == pytest.approx(40.0 + 380.0)
    lost = numbers(run, [*first, GUARDED, LAMP_ON], None)
    assert lost.light_s == pytest.approx(3.0 + 1.0)


def test_reciprocity_of_the_uncertain() -> None:
    light = LIGHT | {"reciprocity_p": 0.8, "reference_mw_cm2": 20.0}
    found = numbers(
        open_run(HALF, light), [GUARDED, LAMP_ON], account(0, boot=78), computer_restarted=True
    )
    rate = 20.0 * (0.5 * RISE) ** 0.8
    assert found.uncertain_mj_cm2 == pytest.approx(POWER_CUT_UNSEEN_S * rate)


def test_a_unit_that_switches_its_own_lamps() -> None:
    found = numbers(open_run(HALF), [], None)
    assert found == Recovered(200.0, pytest.approx(may_rise(0.0, 60.0) * 600.0), None, False, False)
    dark = open_run(sample_at(LIT - 1, 0.0))
    assert numbers(dark, [], None).uncertain_mj_cm2 == 0.0
    assert numbers(open_run(None), [], None) == Recovered(None, 0.0, None, False, False)


@pytest.mark.parametrize("kind", ["plate", "bake"])
def test_plates_and_bakes_are_not_closed_here(kind: str) -> None:
    run = open_run(None, request={"kind": kind})
    assert run.kind == kind
    with pytest.raises(ValueError, match=f"of a {kind}: it is resumed, not closed"):
        close_open_run(run, [], None, entry_id="x-9", at_utc=later(90))
    assert open_run(None).kind == "expose" == open_run(None, request={"kind": 3}).kind


def test_what_was_in_doubt_when_it_was_last_held_is_in_doubt_after_a_crash() -> None:
    """Both ways, as told last; a journal of an older release tells of one way only."""
    over = told("lamp off", 5.0, light_s=11.0, dose_mj_cm2=110.0)
    held = told("held", 5.1, remaining_mj_cm2=230.0, uncertain_mj_cm2=7.0, doubtful_mj_cm2=3.0)
    run = open_run(sample_at(LIT - 500, 110.0), target_dose_mj_cm2=340.0)
    found = numbers(run, [armed(2), over, held], account(LIT, order=2))
    assert (found.uncertain_mj_cm2, found.doubtful_mj_cm2) == (7.0, 3.0)
    older = told("held", 5.1, remaining_mj_cm2=230.0, uncertain_mj_cm2=7.0)
    found = numbers(run, [armed(2), over, older], account(LIT, order=2))
    assert (found.uncertain_mj_cm2, found.doubtful_mj_cm2) == (7.0, 0.0)


def test_what_was_in_doubt_in_the_light_grows_until_the_close() -> None:
    """By 0.5 and 0.25 mW/cm² from the 3rd to the end of the order; a crash forgets nothing."""
    run = open_run(sample_at(LIT - 500, 110.0), target_dose_mj_cm2=340.0)
    doubt = told("doubted", 4.0, order=1, light_s=3.0, uncertain_mj_cm2=1.0, doubtful_mj_cm2=2.0,
                 uncertain_mw_cm2=0.5, doubtful_mw_cm2=0.25)  # fmt: skip
    plain = numbers(run, [armed(1)], account(LIT + 11_000, order=1))
    found = numbers(run, [armed(1), doubt], account(LIT + 11_000, order=1))
    grown_s = 11.0 - 3.0
    assert found.uncertain_mj_cm2 == pytest.approx(plain.uncertain_mj_cm2 + 1.0 + 0.5 * grown_s)
    assert found.doubtful_mj_cm2 == pytest.approx(2.0 + 0.25 * grown_s)


def test_what_a_hold_has_told_of_is_not_told_twice() -> None:
    doubt = told("doubted", 4.0, order=2, light_s=3.0, uncertain_mj_cm2=1.0, doubtful_mj_cm2=2.0)
    over = told("lamp off", 5.0, light_s=11.0, dose_mj_cm2=110.0)
    held = told("held", 5.1, remaining_mj_cm2=230.0, uncertain_mj_cm2=7.0, doubtful_mj_cm2=3.0)
    run = open_run(sample_at(LIT - 500, 110.0), target_dose_mj_cm2=340.0)
    found = numbers(run, [armed(2), doubt, over, held], account(LIT, order=2))
    assert (found.uncertain_mj_cm2, found.doubtful_mj_cm2) == (7.0, 3.0)


def test_an_order_that_the_device_forgot_after_it_lit_may_have_burned_on() -> None:
    lit = RunEvent(id="x-3", run_id="r1", unit=UNIT, at_utc=T0, name="lamp on", ticks=LIT, data={})
    run = open_run(sample_at(LIT + 1000, 1.2), target_dose_mj_cm2=340.0)
    forgotten = account(LIT, order=ORDER - 1)
    told_of = armed(ORDER, guard_s=60.0, predicted_s=34.0)
    assert numbers(run, [told_of, lit], forgotten).uncertain_mj_cm2 > 100.0
    assert numbers(run, [told_of], forgotten).uncertain_mj_cm2 == 0.0
