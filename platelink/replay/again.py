"""A tape played through a core of this release. Reads nothing, and no clock.

The core is made as it was then: same configuration, calibrations and lessons, and every input with
the stamp it had.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

from platelink.config.load import ConfigError, loads
from platelink.control.alarm.states import Condition
from platelink.daemon.calibrated import sensors_of
from platelink.daemon.setup import core_of, unit_settings
from platelink.link.framing import DELIMITER
from platelink.sensing.readings import Converter
from platelink.tape.calls import HELD, OUTSIDE, RECOVERING, TAKE_UP, bound, read_call
from platelink.tape.files import Beginning, TapeError
from platelink.tape.inputs import Kind, Record
from platelink.tape.taped import kept_crc
from platelink.unit.core import Core
from platelink.unit.outputs import CoreOutput, Snapshots


@dataclass(slots=True)
class Sent:
    """Frames for the device, or CRCs of what was kept: as recorded, and as they came now."""

    recorded: list[tuple[int, bytes]] = field(default_factory=list)
    """With their time, UTC in ms."""
    now: list[tuple[int, bytes]] = field(default_factory=list)


class Again:
    """``feed`` each record; outputs come back. ``TapeError``: this release cannot play it."""

    def __init__(self, begun: Beginning) -> None:
        try:
            self._config = loads(begun.config)
        except ConfigError as error:
            raise TapeError(f"this release does not take its configuration: {error}") from error
        held = dict(begun.held)
        converter = Converter(sensors_of(self._config, held), self._config.sensors())
        self.core: Core = core_of(self._config, held, converter, begun.told, now=begun.now)
        self.core.bed.gauge.past.remember(begun.contact)
        self._outside: tuple[Condition, ...] = ()
        self.commands = Sent()
        self.kept = Sent()
        self.withdrawn: set[str] = set()
        """Runs that could not be recorded, and were not made, or made without."""
        self.ended = False
        """The process ended in order: nothing came after the last record."""
        self.unwritten_ms: int | None = None
        """Since then the record could not be written; None: it could."""
        self.inputs = 0
        self.at_ms = begun.utc_ms

    def feed(self, record: Record) -> tuple[CoreOutput, ...]:
        """One record; what the core says to it."""
        self.inputs += 1
        kind, at, body = record
        self.at_ms = at.utc_ms
        outputs: tuple[CoreOutput, ...] = ()
        match kind:
            case Kind.WRITTEN:
                written = body == b"\1"
                self.unwritten_ms = None if written else self.unwritten_ms or at.utc_ms
                self.core.recorded(written)
            case Kind.DATA:
                outputs = self.core.receive(body, at=at)
            case Kind.SENT:
                self.commands.recorded += _frames(at.utc_ms, body)
                return ()  # nothing came in
            case Kind.TICK:
                outputs = self.core.tick(at=at)
            case Kind.SAME:
                outputs = self.core.outside(self._outside, at=at)
            case Kind.KEPT:
                self.kept.recorded.append((at.utc_ms, body))
                return ()
            case Kind.CALL:
                outputs = self._call(record)
        if data := self.core.data_to_send():
            self.commands.now += _frames(at.utc_ms, data)
        if outputs:
            self.kept.now += [
                (output.at_utc_ms, kept_crc(output))
                for output in outputs
                if isinstance(output, Snapshots)
            ]
        return outputs

    def _call(self, record: Record) -> tuple[CoreOutput, ...]:
        try:
            name, given = read_call(record.body)
            if name == RECOVERING:
                self.core.recovering = bool(given["value"])
                return ()
            if name == TAKE_UP:
                held = HELD.validate_python(given["held"])
                self.core.take_up(unit_settings(self._config, held), sensors_of(self._config, held))
                return ()
            self.ended = name == "flush"
            self.withdrawn |= self._withdrawn(name, given)
            call, values = bound(name, self.core, given, record.at)
            if name == OUTSIDE:
                self._outside = values["conditions"]
        except (ValueError, KeyError, IndexError) as error:
            raise TapeError(f"input {self.inputs} cannot be played: {error}") from error
        try:
            outputs = call()
        except (KeyError, TypeError, ValueError):
            return ()  # as then: whoever asked for it was told
        return outputs if isinstance(outputs, tuple) else ()

    def _withdrawn(self, name: str, given: dict[str, Any]) -> set[str]:
        match name:
            case "withdraw" if (job := self.core.bed.waiting) is not None:
                return {job.run_id}
            case "withdraw_plate":
                return {str(given["plate"])}
            case "bake_unrecorded":
                return {str(given["run_id"])}
        return set()


def _frames(at_ms: int, data: bytes) -> list[tuple[int, bytes]]:
    return [(at_ms, frame) for frame in data.split(DELIMITER) if frame]


def differing(sent: Sent) -> Iterator[tuple[int, bytes | None, bytes | None]]:
    """Where the two lists part: time, as recorded, as now."""
    for recorded, now in zip_longest(sent.recorded, sent.now):
        if recorded is None or now is None or recorded[1] != now[1]:
            at_ms = (recorded or now or (0,))[0]
            yield at_ms, recorded and recorded[1], now and now[1]
