"""Who the device is, and how it starts."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from contract.conftest import Kind
from contract.line import SETTLED_TICKS, Line
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
