"""What the doctor looks at on the bus of instruments: each is read once, or the daemon tells."""

from __future__ import annotations

import time
from collections.abc import Iterator

from platelink.config.model import Config
from platelink.contract.unit import InstrumentNow, Status
from platelink.daemon.setup import bus_of
from platelink.doctor.findings import Finding, Health
from platelink.sensing.beside import Reply, Unanswered, cannot_be, unanswered
from platelink.sensing.calibration import UNIT
from platelink.sensing.registers import BusInstrument, number


def look_at_instruments(config: Config, status: Status | None) -> Iterator[Finding]:
    """Nothing where none is configured; ``status`` is the daemon's, which has the bus."""
    if config.modbus is None:
        return
    if status is not None:
        yield from (_by_daemon(told) for told in status.instruments or ())
        return
    bus = bus_of(config.modbus)
    try:
        for one in config.modbus.instruments():
            began = time.monotonic()
            reply = bus.read(one)
            took_s = time.monotonic() - began
            yield _read(one, reply, took_s)
    finally:
        bus.close()


def _by_daemon(told: InstrumentNow) -> Finding:
    if told.problem or told.age_s is None:
        problem = told.problem or "it has not answered yet"
        return _wrong(told.name, problem, "wrong" if told.lost else "notice")
    return Finding(told.name, "ok", f"measures {told.measures} every {told.every_s:.2f} s")


def _read(one: BusInstrument, reply: Reply, took_s: float) -> Finding:
    if reply.why is not None:
        return _wrong(one.name, unanswered(one, reply))
    try:
        raw = number(reply.registers, one.form, low_word_first=one.low_word_first)
    except ValueError:
        damaged = Reply(one.name, reply.age_s, why=Unanswered.DAMAGED)
        return _wrong(one.name, unanswered(one, damaged))
    return _told(one, raw, took_s)


def _told(one: BusInstrument, raw: float, took_s: float) -> Finding:
    value = one.value(raw)
    if value is None:
        return _wrong(one.name, cannot_be(one, raw))
    measured = (
        f"address {one.slave} tells {raw:g}, that is {one.shown(raw):.6g} {one.unit}: "
        f"{one.quantity} {value:.1f} {UNIT[one.quantity]}; it answered in {took_s:.2f} s"
    )
    if took_s <= one.poll_s:
        return Finding(one.name, "ok", measured)
    advice = "raise poll_s, or the baud rate"
    return Finding(one.name, "notice", measured, f"{one.poll_s:g} s, its poll_s", advice)


def _wrong(name: str, problem: str, health: Health = "wrong") -> Finding:
    """Words of an instrument end with what to do."""
    measured, mark, advice = problem.rpartition("; ")
    return Finding(name, health, measured if mark else advice, advice=advice if mark else "")
