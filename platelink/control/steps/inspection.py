"""Depths measured and questions answered, against the recipe's limits. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from platelink.control.states import ExposureOutput, State
from platelink.control.steps.unswitched import Unswitched
from platelink.events.light import Held, Restarted
from platelink.events.steps import Inspected
from platelink.recipe.steps import InspectStep

MAX_DEPTH_UM = 10_000.0
MAX_NOTE = 500
KEYS = ("points", "checks", "note")


class Judgement(StrEnum):
    """What the inspection found."""

    GOOD = "good"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Findings:
    """The values and what they mean. ``defects`` are codes, a depth out of limits included."""

    judgement: Judgement
    points_um: dict[str, float]
    checks: dict[str, bool]
    defects: tuple[str, ...]
    text: str
    note: str = ""


def judge(step: InspectStep, values: Mapping[str, Any]) -> Findings:
    """The values ``{"points": {name: µm}, "checks": {name: yes}, "note": text}`` against the step.
    ValueError says what is wrong with them; every point and check must be there."""
    unknown = set(values) - set(KEYS)
    if unknown:
        raise ValueError(f"{', '.join(sorted(unknown))}: not known; use {', '.join(KEYS)}")
    points = {
        name: _depth_um(name, value)
        for name, value in _named(values, "points", [p.name for p in step.point]).items()
    }
    checks = {
        name: _yes_no(name, value)
        for name, value in _named(values, "checks", [c.name for c in step.check]).items()
    }
    note = values.get("note") or ""
    if not isinstance(note, str) or len(note) > MAX_NOTE:
        raise ValueError(f"note: give a text of at most {MAX_NOTE} characters")
    try:
        note.encode()
    except UnicodeEncodeError:
        raise ValueError("note: holds what UTF-8 cannot; type it again") from None
    out = [
        (p.name, f"{p.name} {points[p.name]:g} µm, limits {p.low_um:g} to {p.high_um:g} µm")
        for p in step.point
        if not p.low_um <= points[p.name] <= p.high_um
    ]
    failed = [c for c in step.check if not checks[c.name]]
    defects = [f"depth:{name}" for name, _ in out] + [c.defect for c in failed]
    texts = [text for _, text in out] + [f"{c.name}: no" for c in failed]
    judgement = Judgement.REJECT if texts else Judgement.GOOD
    text = "; ".join(texts) or "all within the limits"
    return Findings(judgement, points, checks, tuple(dict.fromkeys(defects)), text, note)


def _named(values: Mapping[str, Any], kind: str, names: list[str]) -> Mapping[str, Any]:
    given = values.get(kind) or {}
    if not isinstance(given, Mapping):
        raise ValueError(f"{kind}: give an object of names and values")
    unknown = [str(name) for name in given if name not in names]
    missing = [name for name in names if name not in given]
    if unknown or missing:
        what = [f"{n} is not asked for" for n in unknown] + [f"{n} is missing" for n in missing]
        raise ValueError(f"{kind}: {'; '.join(what)}")
    return given


def _depth_um(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name}: give the depth in µm as a number, not {value!r:.40}")
    if not (math.isfinite(value) and 0.0 <= value <= MAX_DEPTH_UM):
        raise ValueError(f"{name}: a depth of {value:g} µm; give 0 to {MAX_DEPTH_UM:g} µm")
    return float(value)


def _yes_no(name: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{name}: answer true (all is well) or false, not {value!r:.40}")
    return value


class Inspection(Unswitched):
    """The step as a machine: begun, and complete once its values are given."""

    def __init__(self, step: InspectStep, *, now: float) -> None:
        super().__init__(now=now)
        self.step = step
        self.result: Findings | None = None

    def measure(
        self, values: Mapping[str, Any], *, who: str, now: float
    ) -> tuple[ExposureOutput, ...]:
        """Take the values; wrong ones are refused with a text."""
        self._at(now)
        if self.state is not State.RUNNING:
            self._refuse(f"results cannot be recorded while {self.state}; begin the step")
            return self._take()
        try:
            found = self.result = judge(self.step, values)
        except ValueError as error:
            self._refuse(str(error))
            return self._take()
        event = Inspected(
            str(found.judgement), found.points_um, found.checks, found.defects, found.note, who
        )
        text = f"{found.judgement}: {found.text}"
        self._note(event, text)
        self._end(State.COMPLETE, text)
        return self._take()

    def _held(self) -> None:
        self._note(Held(), "the inspection waits")

    def _restarted(self) -> None:
        self._move(State.RUNNING)
        self._note(Restarted(), "the inspection continues")

    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from."""
        return {"state": str(self.state), "reason": self.reason}

    @classmethod
    def from_snapshot(
        cls, step: InspectStep, snapshot: Mapping[str, Any], *, now: float
    ) -> Inspection:
        """Go on; what ``snapshot`` did not write is an error of the program."""
        made = cls(step, now=now)
        made.state = State(snapshot["state"])
        made.reason = snapshot["reason"]
        return made
