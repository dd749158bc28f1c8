"""A core that tells a tape every input it gets, and what it sends."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from functools import wraps
from typing import Any

from platelink.control.alarm.states import Condition
from platelink.control.light.lessons import Lessons
from platelink.sensing.readings import Converter, Sensors
from platelink.tape.calls import CALLS, HELD, OUTSIDE, RECOVERING, TAKE_UP, Held, call_of, text_of
from platelink.tape.inputs import Kind
from platelink.unit.core import Core
from platelink.unit.job import UnitSettings
from platelink.unit.outputs import CoreOutput, Snapshots
from platelink.unit.stamp import Stamp

Put = Callable[[Kind, Stamp, bytes], None]


def kept_crc(output: Snapshots) -> bytes:
    """What a tape tells of what a restart would go on from."""
    text = json.dumps(output.values, sort_keys=True, separators=(",", ":"), default=str)
    return zlib.crc32(text.encode()).to_bytes(4, "little")


class TapedCore(Core):
    """``put`` gets each record before the core acts on it; ``held`` tells the calibrations that
    ``take_up`` is called with."""

    def __init__(
        self, settings: UnitSettings, converter: Converter, lessons: Lessons, *, now: float,
        put: Put, held: Callable[[], Held],
    ) -> None:  # fmt: skip
        self._put, self._held = put, held
        self._recovering = False
        self._written = True
        self._outside: tuple[Condition, ...] | None = None
        super().__init__(settings, converter, lessons, now=now)

    def receive(self, data: bytes, *, at: Stamp) -> tuple[CoreOutput, ...]:
        self._put(Kind.DATA, at, data)
        return self._told(super().receive(data, at=at))

    def tick(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        self._put(Kind.TICK, at, b"")
        return self._told(super().tick(at=at))

    def recorded(self, everything: bool) -> None:
        if self.bed.exposing or everything is not self._written:
            self._written = everything
            self._put(Kind.WRITTEN, self.at, bytes((everything,)))
        super().recorded(everything)

    def data_to_send(self) -> bytes:
        data = super().data_to_send()
        if data:
            self._put(Kind.SENT, self.at, data)
        return data

    def outside(self, conditions: tuple[Condition, ...], *, at: Stamp) -> tuple[CoreOutput, ...]:
        if conditions == self._outside:
            self._put(Kind.SAME, at, b"")
        else:
            self._outside = conditions
            self._put(Kind.CALL, at, call_of(OUTSIDE, self, conditions, at=at))
        return self._told(super().outside(conditions, at=at))

    def take_up(self, settings: UnitSettings, sensors: Sensors) -> None:
        held = HELD.dump_python(dict(self._held()), mode="json")
        self._put(Kind.CALL, self.at, text_of(TAKE_UP, {"held": held}))
        super().take_up(settings, sensors)

    @property
    def recovering(self) -> bool:
        return self._recovering

    @recovering.setter
    def recovering(self, value: bool) -> None:
        if value != self._recovering:
            self._put(Kind.CALL, self.at, text_of(RECOVERING, {"value": value}))
        self._recovering = value

    def _told(self, outputs: tuple[CoreOutput, ...]) -> tuple[CoreOutput, ...]:
        for output in outputs:
            if isinstance(output, Snapshots):
                self._put(Kind.KEPT, self.at, kept_crc(output))
        return outputs


def _taped(name: str) -> Callable[..., Any]:
    method = getattr(Core, name)

    @wraps(method)
    def call(self: TapedCore, *args: Any, **kwargs: Any) -> Any:
        at = kwargs.get("at", Stamp(kwargs.get("now", self.at.now), self.at.utc_ms))
        self._put(Kind.CALL, at, call_of(name, self, *args, **kwargs))
        outputs = method(self, *args, **kwargs)
        return outputs if outputs is None else self._told(outputs)

    return call


for _name in CALLS:
    if _name != OUTSIDE:
        setattr(TapedCore, _name, _taped(_name))
