"""A run left open by a crash is closed with what is known, and never as complete."""

import numpy as np
import pytest

from platelink.link import messages as m
from platelink.record.reader import OpenRun
from platelink.record.recover import DeviceAccount, close_open_run
from platelink.runs import RunEvent, RunStart, SampleBlock
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
        },
    )


def open_run(last: SampleBlock | None, light=LIGHT, boot_id: int | None = BOOT) -> OpenRun:
    start = RunStart(
        id="x-1", run_id="r1", unit=UNIT, at_utc=T0, step="film",
        conditions={"light": light, "device": {"boot_id": boot_id}},
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
        order_target=42_000_000,
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
    assert (end.id, end.run_id, end.samples, end.events) == ("x-9", "r1", run.samples, len(events))
    assert "judge the plate" in end.reason
    return end


@pytest.mark.parametrize("wrapped", [0, 2**32 - 20_000])
def test_device_knows_the_rest(wrapped: int) -> None:
    # Stored up to 20 s of light (200 mJ/cm²); the order closed after 42 s (420 mJ/cm²).
    run = open_run(sample_at(LIT + 20_000, 200.0, wrapped=wrapped))
    end = close(run, [armed()], account(LIT + 42_000, wrapped=wrapped))
    assert end.dose_mj_cm2 == pytest.approx(420.0, rel=1e-9)
    assert end.device_dose_mj_cm2 == pytest.approx(420.0, rel=1e-9)
    assert end.light_s == pytest.approx(42.0)
    assert end.data["stored_dose_mj_cm2"] == 200.0
    assert end.data["after_last_sample_mj_cm2"] == pytest.approx(220.0, rel=1e-9)
    assert end.data["gap_s"] == pytest.approx(60.0)
    assert "200.00 mJ/cm² until the last stored sample" in end.reason
    assert "closed its order by dose, 220.00 mJ/cm² after that sample" in end.reason


def test_lamp_still_on() -> None:
    run = open_run(sample_at(LIT + 20_000, 200.0))
    end = close(run, [armed()], account(LIT + 30_000, lamp_on=True))
    assert end.dose_mj_cm2 == pytest.approx(300.0, rel=1e-9)
    assert "the lamp is still on under its order" in end.reason


def test_order_opened_after_the_last_sample() -> None:
    run = open_run(sample_at(LIT - 500, 0.0))
    end = close(run, [armed()], account(LIT + 42_000))
    assert end.dose_mj_cm2 == pytest.approx(420.0, rel=1e-9)


def test_last_sample_after_the_close_needs_nothing_more() -> None:
    run = open_run(sample_at(LIT + 50_000, 421.3))
    end = close(run, [armed()], account(LIT + 42_000))
    assert end.dose_mj_cm2 == 421.3
    assert end.data["after_last_sample_mj_cm2"] == 0.0


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
        ([armed()], account(LIT + 1, boot=78), "started anew since, its sums are gone"),
        ([], account(LIT + 1), "no light was ordered"),
        ([armed(2)], account(LIT + 1), "newest order is 3, this run's was 2"),
    ],
)
def test_device_cannot_tell(events: list[RunEvent], told: DeviceAccount | None, text: str) -> None:
    end = close(open_run(sample_at(LIT + 20_000, 200.0)), events, told)
    assert text in end.reason
    assert end.dose_mj_cm2 == 200.0
    assert end.device_dose_mj_cm2 is None and end.light_s is None


def test_boot_seen_last_is_the_one_that_counts() -> None:
    back = RunEvent(
        id="x-3", run_id="r1", unit=UNIT, at_utc=T0, name="device restarted", data={"boot_id": 78}
    )
    run = open_run(sample_at(LIT + 20_000, 200.0))
    assert "started anew" in close(run, [armed(), back], account(LIT + 42_000)).reason
    assert close(run, [armed(), back], account(LIT + 42_000, boot=78)).dose_mj_cm2 > 400.0


def test_nothing_stored_and_no_calibration() -> None:
    end = close(open_run(None, light=None), [armed()], account(LIT + 42_000))
    assert end.dose_mj_cm2 is None
    assert "no calibration was recorded" in end.reason
    assert end.data["gap_s"] == 90.0
    told = close(open_run(None), [armed()], account(LIT + 42_000))
    assert told.dose_mj_cm2 == pytest.approx(420.0, rel=1e-9)
