"""Who the device is, and how it starts."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from contract.conftest import Kind
from contract.line import BEEPER, SETTLED_TICKS, VACUUM, Line, order
from platelink.link import messages as m
from platelink.link.messages import EventCode, ReplyCode


def test_start_is_dark_and_says_hello_then_boot(kind: Kind, make_line: Callable[..., Line]) -> None:
    line = make_line(ready=False)
    assert line.board.outputs == 0
    line.settle()
    hello, boot = line.seen[:2]
    assert hello == m.Hello(
        protocol=1,
        board=kind.code,
        firmware=(0, 1, 0),
        light_channels=kind.light_channels,
        adc_bits=10,
        capabilities=kind.capabilities,
        reset_cause=m.ResetCause.POWER_ON,
        boot_id=line.board.boot_id,
        tick=line.base,
        tick_hz=1000,
        frame_ticks=50,
    )
    assert boot == m.Event(1, EventCode.BOOT, m.ResetCause.POWER_ON, line.base)
    assert line.seqs[:2] == [0, 1]
    assert line.pins == []


def test_inputs_count_as_closed_after_twenty_closed_samples(
    make_line: Callable[..., Line],
) -> None:
    line = make_line(ready=False)
    line.ticks(SETTLED_TICKS)
    line.settle()
    for code in (EventCode.INTERLOCK_CLOSED, EventCode.STOP_RELEASED):
        assert [(e.tick - line.base) % 2**32 for e in line.events(code)] == [20]
    assert line.events(EventCode.INTERLOCK_OPENED) == []
    sample = line.sample()
    assert (sample.inputs, sample.latched, sample.outputs) == (3, 0, 0)


@pytest.mark.parametrize(
    ("inputs", "later"),
    [(int(m.Input.STOP_RELEASED), EventCode.INTERLOCK_CLOSED),
     (int(m.Input.INTERLOCK_CLOSED), EventCode.STOP_RELEASED)],
)  # fmt: skip
def test_a_contact_open_at_start_is_logged_when_it_closes(
    make_line: Callable[..., Line], inputs: int, later: EventCode
) -> None:
    line = make_line(ready=False)
    line.inputs = inputs
    line.ticks(SETTLED_TICKS)
    line.inputs = 3
    line.ticks(SETTLED_TICKS)
    line.settle()
    logged = [(e.code, (e.tick - line.base) % 2**32) for e in line.seen if isinstance(e, m.Event)]
    (first,) = {EventCode.INTERLOCK_CLOSED, EventCode.STOP_RELEASED} - {later}
    assert logged == [(EventCode.BOOT, 0), (first, 20), (later, SETTLED_TICKS + 20)]
    assert line.sample().latched == 0


@pytest.mark.parametrize("missing", [m.Input.INTERLOCK_CLOSED, m.Input.STOP_RELEASED])
def test_latch_reset_is_refused_with_an_input_open_although_nothing_is_latched(
    make_line: Callable[..., Line], missing: m.Input
) -> None:
    line = make_line(ready=False)
    line.inputs = 3 & ~int(missing)
    line.ticks(SETTLED_TICKS)
    assert line.sample().latched == 0
    code = {m.Input.INTERLOCK_CLOSED: ReplyCode.INTERLOCK_OPEN,
            m.Input.STOP_RELEASED: ReplyCode.STOP_PRESSED}[missing]  # fmt: skip
    assert line.send(m.ResetLatch()) is code
    line.settle()
    assert line.events(EventCode.LATCH_RESET) == []


@pytest.mark.parametrize("protocol", [0, 1, 2, 255])
def test_hello_on_request_tells_versions_apart(line: Line, protocol: int) -> None:
    wanted = ReplyCode.OK if protocol == m.PROTOCOL_VERSION else ReplyCode.WRONG_PROTOCOL
    assert line.send(m.GetHello(protocol)) is wanted
    hello = next(x for x in line.seen if isinstance(x, m.Hello))
    assert hello == line.hello._replace(tick=line.handled)


def test_hello_tells_the_present_frame_interval(line: Line) -> None:
    assert line.send(m.SetFrame(125)) is ReplyCode.OK
    assert line.send(m.GetHello(1)) is ReplyCode.OK
    assert next(x for x in line.seen if isinstance(x, m.Hello)).frame_ticks == 125


def test_a_host_of_another_version_changes_nothing_in_the_device(line: Line) -> None:
    """What it may say after that is the host's to know: the device does as ever."""
    line.analog[0] = 10
    opened = line.open(order(target=5000))
    assert line.send(m.GetHello(9)) is ReplyCode.WRONG_PROTOCOL
    line.seen.clear()
    line.ticks(200)
    assert line.lamp
    assert len(line.samples()) >= 3
    assert line.send(m.Rearm(1, 6000)) is ReplyCode.OK
    line.ticks(opened + 600 - line.tick)
    report = line.closed()
    assert (report.close_tick - opened, report.close_reason) == (600, m.CloseReason.DOSE)


@pytest.mark.parametrize("lamp", [m.Capability(0), m.Capability.LAMP_OUTPUT])
def test_what_capabilities_cover(make_line: Callable[..., Line], lamp: m.Capability) -> None:
    """The gauge, the thermometers, the lamp. Pump and beeper have no bit: they are switched
    whether there is something on the pin or not."""
    line = make_line(capabilities=lamp)
    line.analog = [9] * 8
    line.send(m.Heartbeat())
    for output, bit in ((m.Output.VACUUM, VACUUM), (m.Output.BEEPER, BEEPER)):
        assert line.send(m.SetOutput(output, 1, 100)) is ReplyCode.OK
        line.ticks(2)
        assert line.board.outputs == bit
        assert line.send(m.SetOutput(output, 0, 0)) is ReplyCode.OK
        line.ticks(2)
    line.sample()
    sample = line.sample()
    assert (sample.vacuum_sum, sample.vacuum_count, sample.vacuum_min, sample.vacuum_max) == (
        0,
    ) * 4
    assert (sample.oven_sum, sample.oven_count, sample.head_sum, sample.head_count) == (0,) * 4
    assert sample.light_min[0] == 9
    assert line.send(m.SetOutput(m.Output.LAMP, 0, 0)) is ReplyCode.OK
    code = ReplyCode.OK if lamp else ReplyCode.WRONG_STATE
    assert [line.send(order()), line.send(m.Open(1))] == [code, code]
    line.ticks(2)
    assert line.lamp is bool(lamp)
