"""Instruments on a bus beside the board: their newest values, how old, and why there is none. Pure.

A reply is stamped with when it was asked for. One that brings no number leaves the last value as it
is, until that is too old; one whose number cannot be takes it away at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from platelink.sensing.calibration import Quantity
from platelink.sensing.registers import NO_VALUE, BusInstrument, number

FIRST_S = 5.0
"""From the start on, an instrument may say nothing for so long."""
SLOW = 1.5
"""Times its interval: values that come less often are told."""
_PACE = 0.1
"""Weight of the newest interval in the mean of them."""
MOST_AGE_S = 60.0
"""No reply was asked for longer ago."""


class Unanswered(StrEnum):
    """Why a reply brings no number."""

    SILENT = "no answer"
    DAMAGED = "damaged answer"
    ANOTHER = "another address answers"
    REFUSED = "exception"
    PORT = "port"


@dataclass(frozen=True, slots=True)
class Reply:
    """What an instrument said, or that it did not."""

    name: str
    age_s: float
    """Since it was asked."""
    registers: tuple[int, ...] = ()
    why: Unanswered | None = None
    """None: the registers are its answer."""
    code: int = 0
    """The exception's, the address that answered, or how many bytes came."""
    text: str = ""
    """Why the port cannot be used."""


class Turn(NamedTuple):
    """An instrument has no value any more, or has one again."""

    name: str
    lost: bool
    text: str


class Newest(NamedTuple):
    """The newest number of an instrument."""

    raw: float
    t: float
    """Host monotonic seconds at which it was asked for."""


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """One instrument, for faces."""

    name: str
    quantity: Quantity
    value: float | None
    """kPa below the local atmosphere, or °C."""
    age_s: float | None
    """Of its newest number; None: there was none."""
    every_s: float
    """Between two numbers, as it has been of late."""
    lost: bool
    problem: str
    """What is wrong and what to do; empty: nothing."""


class _One:
    """What is known of one."""

    __slots__ = ("good_t", "instrument", "lost", "pace_s", "raw", "t", "unanswered")

    def __init__(self, instrument: BusInstrument) -> None:
        self.instrument = instrument
        self.raw = math.nan
        self.t = self.good_t = -math.inf
        """Of its newest number, and of the newest that is a value."""
        self.pace_s = instrument.poll_s
        self.lost = False
        self.unanswered = ""

    def problem(self) -> str:
        """What is wrong and what to do; empty: nothing."""
        one, seen = self.instrument, self.t > -math.inf
        if self.unanswered:
            return self.unanswered
        if seen and one.value(self.raw) is None:
            return cannot_be(one, self.raw)
        if self.pace_s > SLOW * one.poll_s:
            return (
                f"{one.name} gives a value every {self.pace_s:.2f} s, poll_s is {one.poll_s:.2f} "
                "s; raise poll_s, or the baud rate, or mend what does not answer"
            )
        return ""


class Beside:
    """All instruments of a unit; at most one for each quantity."""

    def __init__(self, instruments: Iterable[BusInstrument]) -> None:
        self._all = {one.name: _One(one) for one in instruments}
        self._of = {one.instrument.quantity: one for one in self._all.values()}

    def __bool__(self) -> bool:
        return bool(self._all)

    def take_up(self, instruments: Iterable[BusInstrument]) -> None:
        """The same instruments calibrated anew."""
        for one in instruments:
            self._all[one.name].instrument = one

    def take(self, reply: Reply, *, now: float) -> bool:
        """Take a reply; True where it brings a number. One of an instrument that is not known, of
        the future, or older than the one before says nothing."""
        one = self._all.get(reply.name)
        t = now - reply.age_s
        if one is None or not 0.0 <= reply.age_s <= MOST_AGE_S or t <= one.t:
            return False
        instrument = one.instrument
        if reply.why is not None:
            one.unanswered = unanswered(instrument, reply)
            return False
        try:
            raw = number(reply.registers, instrument.form, low_word_first=instrument.low_word_first)
        except ValueError:
            one.unanswered = unanswered(
                instrument, Reply(reply.name, reply.age_s, why=Unanswered.DAMAGED)
            )
            return False
        if one.unanswered and reply.age_s > instrument.stale_after_s:
            return False  # perhaps the late answer to a question of long ago; the next one tells
        gap_s = t - one.t
        outage = one.unanswered and gap_s > instrument.stale_after_s
        if one.t > -math.inf and not outage:
            one.pace_s += _PACE * (gap_s - one.pace_s)
        one.raw, one.t, one.unanswered = raw, t, ""
        if instrument.value(raw) is not None:
            one.good_t = t
        return True

    def newest(self, quantity: Quantity, t: float) -> Newest | None:
        """The number of the instrument of this quantity at a time; None where it is too old."""
        one = self._of[quantity]
        if t - one.t > one.instrument.stale_after_s:
            return None
        return Newest(one.raw, one.t)

    def look(self, *, now: float) -> tuple[Turn, ...]:
        """Instruments that have just been lost, or are back."""
        turns = []
        for name, one in self._all.items():
            if one.good_t == -math.inf:  # the first look: it is lost if nothing comes in a while
                one.good_t = now + FIRST_S - one.instrument.stale_after_s
            away_s = now - one.good_t
            lost = away_s > one.instrument.stale_after_s
            if lost is one.lost:
                continue
            one.lost = lost
            if not lost:
                turns.append(Turn(name, False, f"{name} gives values again"))
                continue
            turns.append(Turn(name, True, one.problem() or f"{name} gives no value"))
        return tuple(turns)

    def longest_lost_s(self, *, now: float) -> tuple[float, float] | None:
        """Of those that are lost, since when there is no value, and how long there may be none."""
        found = [(now - one.good_t, one.instrument.stale_after_s)
                 for one in self._all.values() if one.lost]  # fmt: skip
        return max(found, default=None)

    def status(self, *, now: float) -> tuple[InstrumentStatus, ...]:
        """All of them."""
        return tuple(_status(one, now) for one in self._all.values())


def _status(one: _One, now: float) -> InstrumentStatus:
    seen = one.t > -math.inf
    stale = now - one.t > one.instrument.stale_after_s
    return InstrumentStatus(
        name=one.instrument.name,
        quantity=one.instrument.quantity,
        value=None if stale else one.instrument.value(one.raw),
        age_s=now - one.t if seen else None,
        every_s=one.pace_s,
        lost=one.lost,
        problem=one.problem(),
    )


def cannot_be(one: BusInstrument, raw: float) -> str:
    """Why a number is no value; what to do."""
    if math.isnan(raw):
        return f"{one.name} tells that it has no value (not a number); check its sensor and wire"
    shown, low, high, unit = one.shown(raw), one.low, one.high, one.unit
    if one.turned(raw):
        return (
            f"{one.name} tells {raw:.3g}, which two registers in the wrong order give; set "
            "word_order to the other one"
        )
    if one.can_be(raw):
        return (
            f"{one.name} shows {shown:.6g} {unit}, a pressure below zero; correct its kind (gauge "
            "or absolute) or its scale"
        )
    if raw in NO_VALUE.get(one.form, ()):
        return f"{one.name} tells {raw:.0f}, which stands for no value; check its sensor and wire"
    return (
        f"{one.name} shows {shown:.6g} {unit}, it can be {low:.6g} to {high:.6g} {unit}; check its "
        "sensor, then slave (another instrument?), first_register, type, word_order and scale"
    )


def unanswered(one: BusInstrument, reply: Reply) -> str:
    """Why there is no number; what to do."""
    name, slave, code = one.name, one.slave, reply.code
    match reply.why:
        case Unanswered.PORT:
            return f"{name} cannot be asked: {reply.text}"
        case Unanswered.ANOTHER:
            return (
                f"address {code} answers instead of {name} at {slave}; give each instrument its "
                "own address, and enter that as slave"
            )
        case Unanswered.DAMAGED:
            return (
                f"what {name} answers is damaged; check baud rate, parity and stop bits on both "
                "sides, then termination and shield of the cable"
            )
        case Unanswered.REFUSED:
            return _refused(one, code)
    return (
        f"{name} does not answer at address {slave}; check its power, the two wires (exchanged?), "
        "its address, baud rate and parity, or raise timeout_s if it is slower"
    )


def _refused(one: BusInstrument, code: int) -> str:
    """Names of the exceptions: Modbus Application Protocol V1.1b3, 7, from memory."""
    name, function = one.name, 3 if one.holding else 4
    match code:
        case 1:
            return (
                f"{name} does not know function {function} (exception 1, illegal function); set "
                "function to the other one"
            )
        case 2:
            return (
                f"{name} has no register {one.register} (exception 2, illegal data address); count "
                "from 0: manuals often begin with 1 or 40001"
            )
        case 3:
            return (
                f"{name} does not give that many registers (exception 3, illegal data value); "
                "correct type"
            )
        case 4:
            return (
                f"{name} reports a failure of its own (exception 4, server device failure); switch "
                "it off and on, then have it repaired"
            )
        case 6:
            return f"{name} is busy (exception 6, server device busy); allow more time with poll_s"
    return f"{name} refuses to be read (exception {code}); see its manual"
