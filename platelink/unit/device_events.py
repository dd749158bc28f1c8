"""What the device and its link report, as events of the record. Pure."""

from __future__ import annotations

import math
from enum import IntEnum

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import INSTRUMENT_LOST
from platelink.control.light.request import Optics
from platelink.control.states import Noted
from platelink.events.event import Event, EventName
from platelink.events.unit import (
    DeviceClockJumped,
    DeviceEdge,
    DeviceEventsLost,
    GarbageOnThePort,
    InstrumentBack,
    InstrumentLost,
    LightSumsRefused,
    ProtocolMismatch,
)
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.sensing.readings import Converter, Reading

EVENT_WORDS: dict[int, EventName] = {
    m.EventCode.BOOT: EventName.DEVICE_STARTED,
    m.EventCode.INTERLOCK_OPENED: EventName.INTERLOCK_OPENED,
    m.EventCode.INTERLOCK_CLOSED: EventName.INTERLOCK_CLOSED,
    m.EventCode.STOP_PRESSED: EventName.STOP_PRESSED,
    m.EventCode.STOP_RELEASED: EventName.STOP_RELEASED,
    m.EventCode.HOST_SILENT: EventName.DEVICE_HEARD_NO_HOST,
    m.EventCode.HOST_BACK: EventName.DEVICE_HEARS_THE_HOST_AGAIN,
    m.EventCode.OUTPUT_EXPIRED: EventName.OUTPUT_EXPIRED,
    m.EventCode.LATCH_RESET: EventName.LATCH_RESET,
    m.EventCode.ORDER_ARMED: EventName.ORDER_ARMED,
    m.EventCode.LAMP_OPENED: EventName.LAMP_OPENED,
    m.EventCode.LAMP_CLOSED: EventName.LAMP_CLOSED,
}
ARGUMENTS: dict[int, type[IntEnum]] = {
    m.EventCode.BOOT: m.ResetCause,
    m.EventCode.LAMP_CLOSED: m.CloseReason,
    m.EventCode.OUTPUT_EXPIRED: m.Output,
}
SELDOM_S = 1.0
"""What every frame of a damaged line may bring is told at most so often."""
Notice = (
    link.DeviceEventReceived | link.EventsLost | link.GarbageReceived | link.ProtocolMismatch
    | link.ClockJumped
)  # fmt: skip
"""Moves nothing in the unit."""


def noted(notice: Notice) -> Noted:
    """The event of a notice."""
    match notice:
        case link.DeviceEventReceived(event, ticks, _):
            name = EVENT_WORDS.get(event.code, f"device event {event.code}")
            codes = ARGUMENTS.get(event.code)
            text = in_words(codes, event.arg) if codes else ""
            return Noted(DeviceEdge(name, event.arg, event.number), text, ticks)
        case link.EventsLost(first, last):
            return Noted(DeviceEventsLost(), f"numbers {first} to {last}")
        case link.GarbageReceived():
            return Noted(GarbageOnThePort(), notice.measured)
        case link.ClockJumped(ticks, jumps):
            text = f"by {ticks:+} ticks; time is taken from its sample counts instead"
            return Noted(DeviceClockJumped(ticks, jumps), text)
        case link.ProtocolMismatch():
            return Noted(ProtocolMismatch(), str(notice))


def sums_go_on(up: link.LinkUp, reading: Reading | None) -> bool:
    """The device has not started anew, or kept its ticks and sums over that, to later than what it
    said last."""
    kept = up.hello.capabilities & m.Capability.SUMS_SURVIVE_RESET
    return not up.rebooted or bool(kept and reading and up.hello.tick > reading.ticks)


def can_be(reported: link.OrderReported, hello: m.Hello | None, converter: Converter) -> bool:
    """The device's account of an order of this boot fits the last good sums."""
    report = reported.report
    closed = report.state == m.OrderState.CLOSED
    if not closed or hello is None or report.boot_id != hello.boot_id:
        return True
    return converter.fits(report, reported.close_ticks)


def sums_refused(converter: Converter, what: str) -> Noted:
    """The event of sums that the converter has just refused."""
    event = LightSumsRefused(converter.refused, converter.refused_in_a_row)
    return Noted(event, f"{what} has impossible light sums; they are not counted")


def instruments_turned(converter: Converter, *, now: float) -> tuple[Noted, ...]:
    """Events of instruments on the bus that are lost since the last look, or back."""
    if not converter.beside:
        return ()
    return tuple(
        Noted(InstrumentLost(turn.name) if turn.lost else InstrumentBack(turn.name), turn.text)
        for turn in converter.beside.look(now=now)
    )


def instruments_lost(converter: Converter, *, now: float) -> tuple[Condition, ...]:
    """What alarms want to know of them; nothing where there are none."""
    if not converter.beside:
        return ()
    lost = converter.beside.longest_lost_s(now=now)
    return (Condition(INSTRUMENT_LOST, lost is not None, *(lost or ())),)


class Seldom:
    """Lets an event of one name through once in ``SELDOM_S``; its data count the others."""

    def __init__(self) -> None:
        self._told_at: dict[str, float] = {}

    def lets(self, event: Event, *, now: float) -> bool:
        """It is told; always when it is none of a damaged line, or not the first in a row."""
        match event:
            case LightSumsRefused(in_a_row=0 | 1) | DeviceClockJumped():
                told_at = self._told_at.get(event.name, -math.inf)
                if now < told_at + SELDOM_S:
                    return False
                self._told_at[event.name] = now
        return True


def mismatch(optics: Optics, hello: m.Hello) -> str:
    """Why calibrations made for the configured device say nothing about this one."""
    if (1 << hello.adc_bits) - 1 != optics.adc_max:
        return (
            f"the device converts {hello.adc_bits} bits, the configuration says "
            f"{optics.adc_max.bit_length()}; correct [unit] adc_bits and calibrate"
        )
    if hello.light_channels < len(optics.light.channels):
        return (
            f"the device has {hello.light_channels} light channels, the configuration "
            f"{len(optics.light.channels)}; correct [[light.channel]]"
        )
    return ""


def in_words(kind: type[IntEnum], code: int) -> str:
    """A code of the device for people; one that this host does not know is no fault."""
    try:
        return kind(code).name.lower().replace("_", " ")
    except ValueError:
        return f"{code} (not known here)"
