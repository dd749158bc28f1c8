"""A session and the real firmware, back to back over a line that loses, repeats, cuts, delays."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from link_wire import Bench, Faults

from platelink.link.messages import (
    EventCode,
    GetOrder,
    Output,
    ReplyCode,
    ResetCause,
    SetOutput,
)
from platelink.link.outputs import (
    CommandAnswered,
    CommandUnanswered,
    DeviceEventReceived,
    LinkLost,
    LinkUp,
    OrderReported,
    ProtocolMismatch,
    SampleReceived,
)

faults = st.builds(
    Faults,
    loss=st.floats(0.0, 0.10),
    duplicate=st.floats(0.0, 0.10),
    corrupt=st.floats(0.0, 0.03),
    delay_s=st.floats(0.0, 0.02),
)


def pump(bench: Bench, on: int) -> int:
    return bench.session.send(SetOutput(Output.VACUUM, on, 60_000), now=bench.now)


@settings(max_examples=25, deadline=None, derandomize=True)  # chance must not fail a build
@given(st.integers(0, 2**20), faults)
def test_nothing_is_lost_that_matters(seed: int, line: Faults) -> None:
    """Every command is answered once, every event comes once and in order, Samples only rise."""
    bench = Bench(seed, line)
    bench.open()
    bench.run(2.0)
    refs = []
    for n in range(8):
        bench.inputs = 0 if n in (3, 6) else 3  # the interlock opens twice
        refs.append(pump(bench, n % 2))
        bench.run(0.25)
    bench.run(3.0)
    assert not bench.of(LinkLost)
    assert len(bench.of(LinkUp)) == 1
    assert not bench.of(CommandUnanswered)
    assert not bench.of(ProtocolMismatch)
    answers = bench.of(CommandAnswered)
    assert [answer.ref for answer in answers] == refs
    assert {answer.code for answer in answers} == {ReplyCode.OK}
    numbers = [event.event.number for event in bench.of(DeviceEventReceived)]
    assert numbers == list(range(1, len(numbers) + 1))
    codes = [event.event.code for event in bench.of(DeviceEventReceived)]
    assert codes[0] == EventCode.BOOT
    assert codes.count(EventCode.INTERLOCK_OPENED) == 2
    samples = bench.of(SampleReceived)
    ticks = [sample.ticks for sample in samples]
    assert ticks == sorted(set(ticks))
    times = [sample.t for sample in samples]
    assert times == sorted(times)
    assert bench.board.outputs & 1 << Output.VACUUM


@pytest.mark.parametrize("seed", range(5))
def test_losses_are_counted_as_they_were(seed: int) -> None:
    bench = Bench(seed, Faults(loss=0.10))
    bench.open()
    bench.run(1.0)
    lost, counted = bench.up.lost, bench.session.status().frames_lost
    bench.run(20.0)
    bench.down.faults.loss = 0.0
    bench.run(0.2)
    status = bench.session.status()
    assert status.frames_lost - counted == bench.up.lost - lost
    assert status.crc_failures == status.rejected == status.duplicates == 0
    assert sum(sample.lost for sample in bench.of(SampleReceived)) == status.frames_lost
    bench.down.faults = Faults(corrupt=1.0)
    before = bench.down.lost
    bench.run(2.0)
    assert bench.down.lost == before
    assert bench.session.status().device_rx_bad >= 15  # of 20 heartbeats


@pytest.mark.parametrize("cause", [ResetCause.BROWN_OUT, ResetCause.WATCHDOG])
@pytest.mark.parametrize("loss", [0.0, 0.10])
def test_a_reset_of_the_device_is_a_new_boot(cause: ResetCause, loss: float) -> None:
    bench = Bench(7, Faults(loss=loss))
    bench.open()
    bench.run(3.0)
    for _ in range(3):
        bench.board.reset(cause)
        bench.run(3.0)
    ups = bench.of(LinkUp)
    assert [up.rebooted for up in ups] == [False, True, True, True]
    assert len({up.hello.boot_id for up in ups}) == 4
    assert bench.session.status().reboots == 3
    boots = [e for e in bench.of(DeviceEventReceived) if e.event.code == EventCode.BOOT]
    assert [boot.event.arg for boot in boots] == [ResetCause.POWER_ON, cause, cause, cause]
    assert abs(bench.of(SampleReceived)[-1].t - bench.now) < 0.1


def test_unplugged_and_plugged_in_again() -> None:
    """The device lives on: same boot, ticks go on, what it did meanwhile is delivered."""
    bench = Bench(3, Faults())
    bench.open()
    bench.run(1.0)
    waiting = pump(bench, 1)
    bench.outputs += bench.session.port_lost("unplugged", now=bench.now)
    bench.up.faults.loss = bench.down.faults.loss = 1.0
    bench.inputs = 0
    bench.run(5.0)
    bench.up.faults.loss = bench.down.faults.loss = 0.0
    bench.open()
    bench.run(1.0)
    assert bench.of(LinkLost) == [LinkLost("port lost", "unplugged")]
    assert [unanswered.ref for unanswered in bench.of(CommandUnanswered)] == [waiting]
    assert [up.rebooted for up in bench.of(LinkUp)] == [False, False]
    codes = [event.event.code for event in bench.of(DeviceEventReceived)]
    assert EventCode.INTERLOCK_OPENED in codes
    gap = max(
        b.ticks - a.ticks
        for a, b in zip(bench.of(SampleReceived), bench.of(SampleReceived)[1:], strict=False)
    )
    assert 5000 <= gap <= 5200


def test_order_report_is_handed_on() -> None:
    bench = Bench(1, Faults(loss=0.1))
    bench.open()
    bench.run(1.0)
    ref = bench.session.send(GetOrder(), now=bench.now)
    bench.run(1.0)
    assert CommandAnswered(ref, GetOrder(), ReplyCode.OK) in bench.outputs
    assert bench.of(OrderReported)[0].report.boot_id == 2
