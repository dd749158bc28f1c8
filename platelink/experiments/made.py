"""An experiment as its entries tell it: what was read so far, and what it came to.

What it is now is made of its entries every time, so that nothing of it can be altered. A reading is
kept as it was typed; the dose of a run is taken from the record when the reading is entered.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any, NamedTuple

from pydantic import JsonValue, TypeAdapter

from platelink.canonical import sha256_of
from platelink.finding.answer import Conclusion
from platelink.finding.concluding import begun
from platelink.finding.experiments import KINDS, Experiment, ExperimentError
from platelink.ledger.by import By


class Act(StrEnum):
    """What was done."""

    BEGUN = "begun"
    CHANGED = "changed"
    NAMED = "named"
    TAKEN_OFF = "taken off"
    READ = "read"
    CORRECTED = "corrected"
    LEFT_OUT = "left out"
    CONCLUDED = "concluded"
    DROPPED = "dropped"


class Stage(StrEnum):
    """How far an experiment is."""

    READING = "reading"
    CONCLUDED = "concluded"
    """What was concluded is of all that was read."""
    DROPPED = "dropped"


class Entry(NamedTuple):
    """One entry, never changed."""

    number: int
    kind: str
    nth: int
    act: Act
    at_utc: datetime
    who: str
    why: str
    body: dict[str, JsonValue]


class Kept(NamedTuple):
    """One reading as it counts now; its number stays."""

    number: int
    typed: dict[str, JsonValue]
    by: By
    dose_mj_cm2: float | None
    """Of the run that it names; None where the dose was typed, or there is none."""
    corrected: bool
    left_out: str
    """Why it does not count; empty: it counts."""

    def filled(self) -> dict[str, JsonValue]:
        """As the fit takes it: with the dose of its run."""
        return self.typed if self.dose_mj_cm2 is None else {
            **self.typed, "dose_mj_cm2": self.dose_mj_cm2
        }  # fmt: skip


class Concluded(NamedTuple):
    """What an experiment came to, and of which readings."""

    conclusion: Conclusion
    readings: tuple[int, ...]
    release: str
    by: By


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """An experiment as it is now."""

    kind: str
    nth: int
    head: dict[str, JsonValue]
    begun: By
    runs: tuple[str, ...] = ()
    """Runs and plates that belong to it, as they were named; those of readings besides."""
    readings: tuple[Kept, ...] = ()
    """All of them, their numbers count from 1."""
    concluded: Concluded | None = None
    """The newest conclusion; it may be of fewer readings than there are."""
    current: bool = False
    """Whether nothing was entered since."""
    dropped: By | None = None

    @property
    def name(self) -> str:
        """``wedge-3``."""
        return f"{self.kind}-{self.nth}"

    @property
    def stage(self) -> Stage:
        """How far it is."""
        if self.dropped is not None:
            return Stage.DROPPED
        return Stage.CONCLUDED if self.current else Stage.READING

    def used(self) -> tuple[Kept, ...]:
        """The readings that count."""
        return tuple(one for one in self.readings if not one.left_out)

    def experiment(self) -> Experiment:
        """As the fit takes it. ExperimentError for what cannot be."""
        whole = begun(self.kind, self.head, self.begun.who)
        lines = [one.filled() for one in self.used()]
        return KINDS[self.kind].model_validate({**whole.model_dump(), "reading": lines})

    def all_runs(self) -> tuple[str, ...]:
        """Every run that it rests on."""
        read = [str(one.typed["run"]) for one in self.used() if one.typed.get("run")]
        return tuple(dict.fromkeys((*self.runs, *read)))

    def seen(self) -> dict[str, Any]:
        """All that a conclusion rests on, as plain values."""
        return {
            "kind": self.kind, "head": self.head, "runs": self.all_runs(),
            "readings": [[one.number, one.filled()] for one in self.used()],
        }  # fmt: skip


_CONCLUSION = TypeAdapter(Conclusion)


def body_of(conclusion: Conclusion, made: Made, release: str) -> dict[str, JsonValue]:
    """As the entry of a conclusion holds it, with the sum of it and of what it rests on: what was
    altered on the disk is not taken for a result."""
    told: dict[str, JsonValue] = _CONCLUSION.dump_python(conclusion, mode="json")
    body: dict[str, JsonValue] = {
        "conclusion": told, "platelink": release,
        "readings": [one.number for one in made.used()],
    }  # fmt: skip
    return body | {"sum": _sum(body, made)}


def _sum(body: dict[str, JsonValue], made: Made) -> str:
    return sha256_of([{k: v for k, v in body.items() if k != "sum"}, made.seen()])


def made_of(entries: Iterable[Entry]) -> Made:
    """An experiment of its own entries, oldest first. ValueError for what cannot be read."""
    made: Made | None = None
    for entry in entries:
        by = By(entry.who, entry.at_utc, entry.why)
        if made is None:
            made = _begun(entry, by)
        else:
            made = replace(made, **{"current": False} | _changes(made, entry, by))
    if made is None:
        raise ValueError("there is no entry")
    return made


def _begun(entry: Entry, by: By) -> Made:
    if entry.act is not Act.BEGUN or entry.kind not in KINDS:
        raise ValueError(f"{entry.act} begins no experiment of a kind {entry.kind!r:.40}")
    head: Any = entry.body["head"]
    _must_be_head(entry.kind, head, by.who)
    return Made(kind=entry.kind, nth=entry.nth, head=dict(head), begun=by)


def _must_be_head(kind: str, head: dict[str, Any], who: str) -> None:
    try:
        begun(kind, head, who)
    except ExperimentError as error:
        raise ValueError(str(error)) from None


def _changes(made: Made, entry: Entry, by: By) -> dict[str, Any]:
    body: Any = entry.body
    match entry.act:
        case Act.READ | Act.CORRECTED | Act.LEFT_OUT:
            return {"readings": _readings(made, entry, by)}
        case Act.NAMED:
            return {"runs": tuple(dict.fromkeys((*made.runs, str(body["run"]))))}
        case Act.TAKEN_OFF:
            return {"runs": tuple(run for run in made.runs if run != body["run"])}
        case Act.CONCLUDED:
            return {"concluded": _concluded(made, body, by), "current": True}
        case Act.DROPPED:
            return {"dropped": by, "current": made.current}
        case Act.BEGUN:
            raise ValueError("an experiment is begun once")
    head = made.head | dict(body["head"])
    _must_be_head(made.kind, head, made.begun.who)
    return {"head": head}


def _concluded(made: Made, body: Any, by: By) -> Concluded:
    if body.get("sum") != _sum(body, made):
        raise ValueError("the conclusion is not that of its readings")
    told = _CONCLUSION.validate_python(body["conclusion"])
    return Concluded(told, tuple(map(int, body["readings"])), str(body["platelink"]), by)


def _readings(made: Made, entry: Entry, by: By) -> tuple[Kept, ...]:
    """All readings after one was entered, corrected or left out."""
    body: Any = entry.body
    number = len(made.readings) + 1 if entry.act is Act.READ else int(body["reading"])
    before, there = made.readings[: number - 1], made.readings[number - 1 : number]
    if number < 1 or bool(there) is (entry.act is Act.READ):
        raise ValueError(f"there is no reading {number}")
    if entry.act is Act.LEFT_OUT:
        kept = there[0]._replace(left_out=entry.why or "–")
    else:
        dose = body.get("dose_mj_cm2")
        kept = Kept(number, dict(body["typed"]), by, None if dose is None else float(dose),
                    entry.act is Act.CORRECTED, "")  # fmt: skip
    return (*before, kept, *made.readings[number:])
