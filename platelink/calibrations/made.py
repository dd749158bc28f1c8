"""A calibration as its entries tell it: what was read so far, and what became of it. Pure.

What it is now is made of its entries every time, so that nothing of it can be altered.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any, NamedTuple

from pydantic import JsonValue, TypeAdapter

from platelink.sensing.calibrate import Comparison, OnBus, line_of
from platelink.sensing.calibration import (
    U_K,
    UNIT,
    Calibration,
    Cause,
    Counts,
    Instrument,
    Level,
    Line,
    Quantity,
    quantity_of,
)

STEP_SHARE = 0.02
"""A smaller change since the calibration before is nothing to be asked about."""


class Act(StrEnum):
    """What was done."""

    BEGUN = "begun"
    DARK = "dark"
    LEVEL = "level"
    LEFT_OUT = "left out"
    FINISHED = "finished"
    APPROVED = "approved"
    DROPPED = "dropped"


class Stage(StrEnum):
    """How far a calibration is."""

    READING = "reading"
    FINISHED = "finished"
    APPROVED = "approved"
    DROPPED = "dropped"


class Entry(NamedTuple):
    """One entry, never changed."""

    number: int
    sensor: str
    revision: int
    act: Act
    at_utc: datetime
    who: str
    why: str
    body: dict[str, JsonValue]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a calibration begins with."""

    cause: Cause
    instrument: Instrument
    settings: dict[str, Any]
    """The sensor's configuration, as plain values."""
    adc_max: int
    on_bus: OnBus | None = None
    temp_coeff_per_c: float = 0.0
    reference_temp_c: float = 25.0


class Signed(NamedTuple):
    """Who did something, when and why."""

    who: str
    at_utc: datetime
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A calibration as it is now."""

    sensor: str
    revision: int
    plan: Plan
    begun: Signed
    dark: Counts | None = None
    levels: tuple[Level, ...] = ()
    """All that were read, in order; their numbers count from 1."""
    left_out: dict[int, str] = field(default_factory=dict)
    """Numbers of levels that are not used, each with the reason."""
    line: Line | None = None
    due_on: date | None = None
    finished: Signed | None = None
    approved: Signed | None = None
    dropped: Signed | None = None

    @property
    def name(self) -> str:
        """``light 0@3``."""
        return f"{self.sensor}@{self.revision}"

    @property
    def quantity(self) -> Quantity:
        """What is measured."""
        return quantity_of(self.sensor)

    @property
    def stage(self) -> Stage:
        """How far it is."""
        if self.dropped is not None:
            return Stage.DROPPED
        if self.approved is not None:
            return Stage.APPROVED
        return Stage.READING if self.finished is None else Stage.FINISHED

    def used(self) -> tuple[Level, ...]:
        """The levels that count; light is above the newest dark."""
        kept = [v for n, v in enumerate(self.levels, 1) if n not in self.left_out]
        if self.quantity is Quantity.LIGHT and self.dark is not None:
            kept = [replace(v, x=v.counts.mean - self.dark.mean) for v in kept]
        return tuple(kept)

    def numbers(self) -> list[int]:
        """Numbers of the levels that count."""
        return [n for n in range(1, len(self.levels) + 1) if n not in self.left_out]

    def comparison(self) -> Comparison:
        """What the line is made of."""
        plan = self.plan
        return Comparison(
            quantity=self.quantity,
            instrument=plan.instrument,
            levels=self.used(),
            numbers=tuple(self.numbers()),
            dark=self.dark,
            adc_max=plan.adc_max,
            on_bus=plan.on_bus,
            temp_coeff_per_c=plan.temp_coeff_per_c,
            reference_temp_c=plan.reference_temp_c,
        )

    def calibration(self) -> Calibration | None:
        """The calibration; None before it is finished."""
        if self.line is None or self.due_on is None or self.finished is None:
            return None
        return Calibration(
            sensor=self.sensor,
            revision=self.revision,
            cause=self.plan.cause,
            instrument=self.plan.instrument,
            dark=self.dark,
            levels=self.used(),
            line=self.line,
            made_by=self.finished.who,
            made_at_utc=self.finished.at_utc,
            due_on=self.due_on,
            settings=self.plan.settings,
            approved_by=None if self.approved is None else self.approved.who,
        )


_PLAN, _COUNTS = TypeAdapter(Plan), TypeAdapter(Counts)
_LEVEL, _LINE = TypeAdapter(Level), TypeAdapter(Line)
_ADAPTERS: dict[type, TypeAdapter[Any]] = {
    Plan: _PLAN, Counts: _COUNTS, Level: _LEVEL, Line: _LINE,
}  # fmt: skip


def plain(value: Plan | Counts | Level | Line) -> dict[str, JsonValue]:
    """As a body of an entry holds it."""
    body: dict[str, JsonValue] = _ADAPTERS[type(value)].dump_python(value, mode="json")
    return body


def made_of(entries: Iterable[Entry]) -> Made:
    """A calibration of its own entries, oldest first. ValueError for what cannot be read."""
    made: Made | None = None
    for entry in entries:
        signed = Signed(entry.who, entry.at_utc, entry.why)
        if made is None:
            plan = _PLAN.validate_python(entry.body)
            made = Made(sensor=entry.sensor, revision=entry.revision, plan=plan, begun=signed)
            continue
        made = replace(made, **_changes(made, entry, signed))
    if made is None:
        raise ValueError("there is no entry")
    return made


def _changes(made: Made, entry: Entry, signed: Signed) -> dict[str, Any]:
    body: Any = entry.body
    match entry.act:
        case Act.DARK:
            return {"dark": _COUNTS.validate_python(body)}
        case Act.LEVEL:
            return {"levels": (*made.levels, _LEVEL.validate_python(body))}
        case Act.LEFT_OUT:
            return {"left_out": made.left_out | {int(body["level"]): entry.why}}
        case Act.FINISHED:
            line, due_on = _LINE.validate_python(body["line"]), date.fromisoformat(body["due_on"])
            _must_be_of(line, made)
            return {"line": line, "due_on": due_on, "finished": signed}
        case Act.APPROVED:
            return {"approved": signed}
        case Act.DROPPED:
            return {"dropped": signed}
    raise ValueError(f"{entry.act} begins a calibration")


def _must_be_of(line: Line, made: Made) -> None:
    """A line that is not that of the levels stored beside it was damaged: no dose hangs on it."""
    again = line_of(made.comparison())
    for x in (again.x_low, again.x_high):
        if not math.isclose(line.value(x), again.value(x), rel_tol=1e-6, abs_tol=1e-6):
            raise ValueError("the line is not that of its levels")


def in_force(of_sensor: Sequence[Made]) -> Made | None:
    """The calibration of one sensor that holds: the newest approved one that was not dropped."""
    return next((m for m in reversed(of_sensor) if m.stage is Stage.APPROVED), None)


def step_since(before: Calibration, after: Calibration) -> str:
    """How the sensor's reading changed between two calibrations beyond what both are sure of, where
    nothing is said to have been changed; empty when it did not.

    What both instruments share does not count: with one certificate it is the same error twice."""
    if after.cause is not Cause.ROUTINE:
        return ""
    x, unit = after.line.x_high, UNIT[after.quantity]
    was, now = before.line.value(x), after.line.value(x)
    u = math.hypot(
        before.line.u_fit(x), before.line.u_bow(), after.line.u_fit(x), after.line.u_bow()
    )
    if before.instrument.certificate != after.instrument.certificate:
        u = math.hypot(u, before.instrument.u_at(was), after.instrument.u_at(now))
    if abs(now - was) <= max(U_K * u, STEP_SHARE * abs(was)):
        return ""
    changed = f"{(now / was - 1.0):+.1%}" if was > 0.0 else f"{now - was:+.2g} {unit}"
    return (
        f"the same counts mean {changed} against {before.name} of {before.made_at_utc:%Y-%m-%d}: "
        "more than both are unsure of. If the sensor or lamps were changed, or the sensor was "
        "cleaned, discard this one and give that as the cause"
    )
