"""The message table: what travels between host and device, byte for byte. Pure data.

This file is the one source of the wire format. The C header of the firmware and the tables of
``firmware-sim/PROTOCOL.md`` are generated from it, and a test fails when they differ.

Every message is a NamedTuple, a field's annotation its layout; numbers are little-endian, without
padding. Counts are raw; a *tick* is one sampling interrupt (``Hello.tick_hz`` a second).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from enum import IntEnum, IntFlag
from operator import itemgetter
from typing import Annotated, Any, NamedTuple, get_type_hints

PROTOCOL_VERSION = 1
LIGHT_CHANNELS = 4
WATER_CHANNEL = 3
"""What the light fields of Sample and OrderReport hold there with ``Capability.WATER``."""
ORDER_NONE = 0
"""Order number meaning 'no order'; real orders count from 1."""
MAX_GUARD_TICKS = 1_810_000
"""The most light of one order that a device takes on; one may be built for less."""
HOUR_TICKS, HOUR_LIT_TICKS = 3_600_000, 2_700_000
"""So much light at most in so many ticks, under however many orders."""

U8 = Annotated[int, "B"]
U16 = Annotated[int, "H"]
U32 = Annotated[int, "I"]
I32 = Annotated[int, "i"]
I64 = Annotated[int, "q"]
U8x3 = Annotated[tuple[int, int, int], "3B"]
U16x4 = Annotated[tuple[int, int, int, int], "4H"]
U32x4 = Annotated[tuple[int, int, int, int], "4I"]
U64x4 = Annotated[tuple[int, int, int, int], "4Q"]


class Output(IntEnum):
    """Outputs of the device; as a mask, bit ``1 << output``. Off is the safe state of each."""

    LAMP = 0  # lamp contactor or shutter; opens only through an order
    VACUUM = 1
    BEEPER = 2


LAMP_BIT, VACUUM_BIT = 1 << Output.LAMP, 1 << Output.VACUUM


class Input(IntFlag):
    """Digital inputs after debounce; a set bit is the state in which light is allowed."""

    INTERLOCK_CLOSED = 1
    STOP_RELEASED = 2


class OrderState(IntEnum):
    """Life of a standing order on the device."""

    NONE = 0
    ARMED = 1
    OPEN = 2  # the lamp output is on
    CLOSED = 3


class CloseReason(IntEnum):
    """Why the lamp output went off."""

    NONE = 0
    DOSE = 1  # the weighted sum reached the target
    GUARD = 2  # the guard time ran out first
    HOST = 3  # the host asked
    SILENCE = 4  # the host fell silent and the order said: close now
    INTERLOCK = 5
    STOP = 6


class SilencePolicy(IntEnum):
    """What an open order does when the host falls silent."""

    CLOSE = 0
    FINISH = 1  # go on to the target, never past the guard time


class ResetCause(IntEnum):
    """Why the device started."""

    POWER_ON = 0
    EXTERNAL = 1
    BROWN_OUT = 2
    WATCHDOG = 3
    UNKNOWN = 4


class Board(IntEnum):
    """Which board file the core was built with."""

    HOST = 1
    AVR = 2


class Capability(IntFlag):
    """What this device has."""

    VACUUM = 1  # the gauge; the pump's output has no bit
    OVEN = 2  # its thermometer
    HEAD_TEMPERATURE = 4
    LAMP_OUTPUT = 8  # without it there is no order
    SUMS_SURVIVE_RESET = 16  # they did survive the last one
    WATER = 32  # the washout water's thermometer, as the channel WATER_CHANNEL of the light fields
    SUPPLY = 64  # its own bandgap against the converter's reference, which GetSupply asks for


class EventCode(IntEnum):
    """Edges the device stamps with its own tick; ``Event.arg`` as noted."""

    BOOT = 1  # arg: ResetCause
    ORDER_ARMED = 2
    LAMP_OPENED = 3
    LAMP_CLOSED = 4  # arg: CloseReason
    INTERLOCK_OPENED = 5
    INTERLOCK_CLOSED = 6
    STOP_PRESSED = 7
    STOP_RELEASED = 8
    HOST_SILENT = 9
    HOST_BACK = 10
    OUTPUT_EXPIRED = 11  # arg: Output
    LATCH_RESET = 12


class ReplyCode(IntEnum):
    """Answer of the device to a command."""

    OK = 0
    UNKNOWN_TYPE = 1
    BAD_LENGTH = 2
    BAD_VALUE = 3
    WRONG_STATE = 4
    WRONG_ORDER = 5
    INTERLOCK_OPEN = 6
    LATCHED = 7  # interlock or stop was seen; ResetLatch first
    STOP_PRESSED = 8
    HOST_SILENT = 9  # no heartbeat within the order's limit
    WRONG_PROTOCOL = 10


# --- device to host -------------------------------------------------------------------------


class Hello(NamedTuple):
    """Who the device is; sent at start and on request."""

    protocol: U8
    board: U8
    firmware: U8x3
    light_channels: U8
    adc_bits: U8
    capabilities: U8
    reset_cause: U8
    boot_id: U32  # differs after every start
    tick: U32
    tick_hz: U16
    frame_ticks: U16  # ticks between two Sample messages


class Sample(NamedTuple):
    """The device's state at ``tick``; light sums are cumulative since start, so a lost frame loses
    no dose. ``*_min``, ``*_max`` and the sums of the slow inputs cover the ticks since the previous
    Sample."""

    tick: U32  # of the last sampling interrupt included
    inputs: U8
    outputs: U8
    latched: U8  # 1: interlock or stop seen since the last ResetLatch
    order_state: U8
    close_reason: U8
    events: U8  # low byte of the number of the newest Event
    order: U32
    light_sum: U64x4
    light_count: U32x4
    light_min: U16x4
    light_max: U16x4
    vacuum_sum: U32
    vacuum_count: U16
    vacuum_min: U16
    vacuum_max: U16
    oven_sum: U32
    oven_count: U16
    head_sum: U32
    head_count: U16
    order_sum: I64  # weighted, bias removed, since the lamp opened
    order_target: I64
    rx_bad: U16  # frames the device dropped: spoiled, or an echo
    rx_overrun: U16  # bytes lost before the device could read them


class Event(NamedTuple):
    """One edge. Numbers count from 1 without holes, so a lost one can be asked for (GetLog)."""

    number: U16
    code: U8
    arg: U8
    tick: U32


class Reply(NamedTuple):
    """Answer to the command that travelled with sequence number ``seq``."""

    seq: U16
    type: U8
    code: U8


class OrderReport(NamedTuple):
    """Everything about the newest order, readable after the host comes back.

    ``open_*`` are the sums after the last tick before light, ``close_*`` after the last tick that
    counted as lit (while the order is open: the present ones)."""

    order: U32
    state: U8
    close_reason: U8
    boot_id: U32
    open_tick: U32
    close_tick: U32
    order_sum: I64
    order_target: I64
    open_sum: U64x4
    close_sum: U64x4
    open_count: U32x4
    close_count: U32x4


class Supply(NamedTuple):
    """The device's own bandgap, converted like every input: what the converter's reference is, up
    to the bandgap's own value. The sum covers the ticks since the previous Supply, at most 65535
    of them."""

    tick: U32
    bandgap_sum: U32
    bandgap_count: U16


# --- host to device -------------------------------------------------------------------------


class GetHello(NamedTuple):
    """Ask who is there; carries the host's protocol version."""

    protocol: U8


class Heartbeat(NamedTuple):
    """The host lives. Not answered."""


class SetOutput(NamedTuple):
    """Switch an output. On lasts ``hold_ms`` unless renewed; the lamp can only be switched off."""

    output: U8
    on: U8
    hold_ms: U16


class Arm(NamedTuple):
    """Give a standing order: once open, close the lamp at the first tick with
    ``sum(weight * counts) - bias >= target`` summed over the ticks since opening."""

    order: U32
    weight: U16x4
    bias: I32  # weighted dark counts of one tick
    target: I64
    guard_ticks: U32
    silence_ticks: U16  # heartbeat limit
    silence_policy: U8


class Rearm(NamedTuple):
    """Move the target of the armed or open order."""

    order: U32
    target: I64


class Disarm(NamedTuple):
    """Take back an armed order that has not opened."""

    order: U32


class Open(NamedTuple):
    """Switch the lamp on under the armed order."""

    order: U32


class Close(NamedTuple):
    """Switch the lamp off now; order 0 closes whatever is open."""

    order: U32


class GetOrder(NamedTuple):
    """Ask for an OrderReport."""


class ResetLatch(NamedTuple):
    """Allow light again after an interlock or stop, once both are back."""


class SetFrame(NamedTuple):
    """Set the ticks between two Sample messages (10..1000)."""

    frame_ticks: U16


class GetLog(NamedTuple):
    """Ask for the kept events from ``number`` on; they come as Event messages."""

    number: U16


class GetSupply(NamedTuple):
    """Ask for a Supply; only of a device with Capability.SUPPLY."""


DeviceMessage = Hello | Sample | Event | Reply | OrderReport | Supply
Command = (
    GetHello | Heartbeat | SetOutput | Arm | Rearm | Disarm | Open | Close | GetOrder
    | ResetLatch | SetFrame | GetLog | GetSupply
)  # fmt: skip

TYPES: dict[int, type[Any]] = {
    0x01: Hello, 0x02: Sample, 0x03: Event, 0x04: Reply, 0x05: OrderReport,
    0x06: Supply,
    0x41: GetHello, 0x42: Heartbeat, 0x43: SetOutput, 0x44: Arm, 0x45: Rearm, 0x46: Disarm,
    0x47: Open, 0x48: Close, 0x49: GetOrder, 0x4A: ResetLatch, 0x4B: SetFrame, 0x4C: GetLog,
    0x4D: GetSupply,
}  # fmt: skip
CODES: dict[type[Any], int] = {cls: code for code, cls in TYPES.items()}


def layout(cls: type[Any]) -> tuple[tuple[str, str], ...]:
    """(field name, struct format without byte order) of each field of a message class."""
    hints = get_type_hints(cls, include_extras=True)
    return tuple((name, hints[name].__metadata__[0]) for name in cls._fields)


def _grouped(cls: type[Any]) -> Callable[[tuple[Any, ...]], tuple[Any, ...]]:
    """What groups the flat values of a payload by field."""
    takes: list[slice | int] = []
    at = 0
    for _, fmt in layout(cls):
        n = int(fmt[:-1] or 1)
        takes.append(at if n == 1 else slice(at, at + n))
        at += n
    flat = all(isinstance(take, int) for take in takes)
    return tuple if flat else itemgetter(*takes)


_STRUCTS = {cls: struct.Struct("<" + "".join(fmt for _, fmt in layout(cls))) for cls in CODES}
# At one time a tenth of the daemon's work: no Python is run for a field.
_CODECS = {code: (_STRUCTS[cls].unpack, _grouped(cls), cls) for code, cls in TYPES.items()}
_made = tuple.__new__
SIZES: dict[int, int] = {code: _STRUCTS[cls].size for code, cls in TYPES.items()}
"""Payload bytes of each message type."""


def pack(message: DeviceMessage | Command) -> tuple[int, bytes]:
    """(type code, payload) of a message. A value that does not fit raises ``struct.error``."""
    code = CODES[type(message)]
    flat: list[int] = []
    for value in message:
        if isinstance(value, tuple):
            flat.extend(value)
        else:
            flat.append(value)
    return code, _STRUCTS[type(message)].pack(*flat)


def fits(message: DeviceMessage | Command) -> bool:
    """Every value of the message fits its field."""
    try:
        pack(message)
    except struct.error:
        return False
    return True


def unpack(code: int, payload: bytes) -> Any:
    """The message of a type code and payload.

    Unknown types raise ``KeyError``, wrong lengths ``struct.error``: the link counts and reports
    both as rejected frames."""
    flat, grouped, cls = _CODECS[code]
    return _made(cls, grouped(flat(payload)))
