"""The store of experiments: an append-only file beside the journal. Times come from the caller.

Every reading is an entry as it is typed, so that an experiment can go on after anything; a
correction is another entry, and what was concluded before it is concluded anew. One thread.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Protocol

from pydantic import JsonValue

from platelink.experiments.made import Act, Entry, Made, Stage, body_of, made_of
from platelink.experiments.schema import EXPERIMENTS
from platelink.finding.answer import Conclusion
from platelink.finding.concluding import begun, concluded, reading_of
from platelink.finding.experiments import KINDS, ExperimentError
from platelink.ledger.by import By, from_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreRefused
from platelink.ledger.log import EntryLog
from platelink.ledger.readable import readable
from platelink.ledger.store import Store

_COLUMNS = "number, kind, nth, act, at_ms, who, why, body"
MOST_READINGS = 300
MOST_RUNS = 100


class Record(Protocol):
    """What the journal has of runs. Both raise an error of the caller's own for a run that is not
    there, or has not what is asked for."""

    def run(self, wanted: str) -> str:
        """The whole id of a run, of a part of its beginning."""

    def dose(self, wanted: str) -> float:
        """Its dose in mJ/cm²."""


class ExperimentStore(Store):
    """See the file's first lines."""

    kind = EXPERIMENTS

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self.entries = EntryLog(database, _COLUMNS, _entry)

    # --- reading ---------------------------------------------------------------------------

    def every(self) -> tuple[Made, ...]:
        """All experiments, in the order they were begun."""
        each: dict[tuple[str, int], list[Entry]] = {}
        for entry in self.entries.after(0):
            each.setdefault((entry.kind, entry.nth), []).append(entry)
        return tuple(self._made(f"{kind}-{nth}", e) for (kind, nth), e in each.items())

    def find(self, name: str) -> Made:
        """``wedge-3``; ``StoreRefused`` says what there is instead."""
        kind, _, nth = name.rpartition("-")
        found = self._of(kind, int(nth)) if nth.isdecimal() and len(nth) < 10 else ()
        if found:
            return self._made(name, found)
        rows = self._db.rows("SELECT kind, nth FROM experiments ORDER BY number DESC LIMIT 8")
        there = ", ".join(f"{kind}-{nth}" for kind, nth in reversed(rows)) or "none yet"
        raise StoreRefused(f"there is no experiment '{name:.40}'; the newest are: {there}")

    def history(self, made: Made) -> tuple[Entry, ...]:
        """Everything that was done in one experiment."""
        return self._of(made.kind, made.nth)

    def _of(self, kind: str, nth: int) -> tuple[Entry, ...]:
        return self.entries.where("kind = ? AND nth = ?", (kind, nth))

    def _made(self, name: str, entries: list[Entry] | tuple[Entry, ...]) -> Made:
        with readable(self._db.path, f"experiment {name}"):
            return made_of(entries)

    # --- doing -----------------------------------------------------------------------------

    def begin(self, kind: str, head: Mapping[str, JsonValue], by: By) -> Made:
        """Begin one of a kind; ``head`` are the keys of its kind, as they were typed."""
        if kind not in KINDS:
            raise StoreRefused(f"there is no kind '{kind:.40}'; there are: {', '.join(KINDS)}")
        _checked_head(kind, head, by.who)
        with self._db.transaction():
            rows = self._db.rows(
                "SELECT coalesce(max(nth), 0) + 1 FROM experiments WHERE kind = ?", (kind,)
            )
            nth = int(rows[0][0])
            number = self._enter(kind, nth, Act.BEGUN, by, {"head": dict(head)})
            self._db.execute(
                "INSERT INTO experiments (kind, nth, number) VALUES (?, ?, ?)", (kind, nth, number)
            )
        return self.find(f"{kind}-{nth}")

    def change(self, name: str, head: Mapping[str, JsonValue], by: By) -> Made:
        """Other keys of its kind, such as the depth that is wanted; with the reason."""
        _reasoned(by, f"{name} is changed")
        with self._db.transaction():
            made = self._open(name)
            if not head:
                raise StoreRefused(f"say what of {name} is changed")
            _checked_head(made.kind, made.head | dict(head), made.begun.who)
            self._enter(made.kind, made.nth, Act.CHANGED, by, {"head": dict(head)})
        return self.find(name)

    def name_run(self, name: str, run: str, by: By, record: Record) -> Made:
        """A run or a plate of the record belongs to it."""
        run_id = record.run(run)
        with self._db.transaction():
            made = self._open(name)
            if run_id in made.runs:
                raise StoreRefused(f"{run_id} belongs to {name} already")
            if len(made.runs) >= MOST_RUNS:
                raise StoreRefused(f"{name} has {MOST_RUNS} runs, the most possible")
            self._enter(made.kind, made.nth, Act.NAMED, by, {"run": run_id})
        return self.find(name)

    def take_off(self, name: str, run: str, by: By) -> Made:
        """A run that was named does not belong to it; with the reason."""
        _reasoned(by, f"run {run} is taken off")
        with self._db.transaction():
            made = self._open(name)
            if run not in made.runs:
                there = ", ".join(made.runs) or "none"
                raise StoreRefused(f"run {run:.40} was not named in {name}; named: {there}")
            self._enter(made.kind, made.nth, Act.TAKEN_OFF, by, {"run": run})
        return self.find(name)

    def read(self, name: str, typed: Mapping[str, JsonValue], by: By, record: Record) -> Made:
        """One reading more, as it was typed."""
        body = self._reading(name, typed, record)
        with self._db.transaction():
            made = self._open(name)
            if len(made.readings) >= MOST_READINGS:
                raise StoreRefused(
                    f"{name} has {MOST_READINGS} readings, the most possible; begin another"
                )
            self._enter(made.kind, made.nth, Act.READ, by, body)
        return self.find(name)

    def correct(
        self, name: str, number: int, typed: Mapping[str, JsonValue], by: By, record: Record
    ) -> Made:
        """What a reading should have been, with the reason; what was typed first stays on
        record."""
        _reasoned(by, f"reading {number} of {name} is corrected")
        body = self._reading(name, typed, record)
        with self._db.transaction():
            made = self._counted(name, number)
            self._enter(made.kind, made.nth, Act.CORRECTED, by, {"reading": number, **body})
        return self.find(name)

    def leave_out(self, name: str, number: int, by: By) -> Made:
        """A reading is not used; it stays in the record, with the reason."""
        _reasoned(by, f"reading {number} of {name} is left out")
        with self._db.transaction():
            made = self._counted(name, number)
            self._enter(made.kind, made.nth, Act.LEFT_OUT, by, {"reading": number})
        return self.find(name)

    def renew(self, name: str, doses: Mapping[int, float], by: By) -> Made:
        """Doses of runs that the record has corrected since they were read, by reading. Each is an
        entry of its own, as a correction is."""
        with self._db.transaction():
            kept = {one.number: one for one in self._open(name).used()}
            for number, dose_mj_cm2 in doses.items():
                made, was = self._counted(name, number), kept[number]
                why = (
                    f"the record corrected the dose of run {was.typed['run']} from "
                    f"{was.dose_mj_cm2:.2f} to {dose_mj_cm2:.2f} mJ/cm²"
                )
                body: dict[str, JsonValue] = {
                    "reading": number, "typed": was.typed, "dose_mj_cm2": dose_mj_cm2
                }  # fmt: skip
                self._enter(made.kind, made.nth, Act.CORRECTED, by._replace(why=why), body)
        return self.find(name)

    def conclude(self, name: str, by: By, *, release: str) -> Made:
        """What its readings tell, or why they cannot; readings may follow, and another
        conclusion. ``release``: of the program that says so."""
        made = self._open(name)
        told = _told(made)
        with self._db.transaction():
            again = self._open(name)
            if again.seen() != made.seen():
                raise StoreRefused(f"{name} was changed meanwhile; conclude it again")
            if again.current:
                raise StoreRefused(f"{name} is concluded, and nothing was entered since")
            body = body_of(told, again, release)
            self._enter(made.kind, made.nth, Act.CONCLUDED, by, body)
        return self.find(name)

    def drop(self, name: str, by: By) -> Made:
        """It counts no more; it stays on record, with the reason."""
        _reasoned(by, f"{name} is discarded")
        with self._db.transaction():
            made = self._open(name)
            self._enter(made.kind, made.nth, Act.DROPPED, by, {})
        return self.find(name)

    def _open(self, name: str) -> Made:
        made = self.find(name)
        if made.stage is Stage.DROPPED:
            raise StoreRefused(f"{name} is discarded; begin another")
        return made

    def _counted(self, name: str, number: int) -> Made:
        """The experiment, in which this reading counts."""
        made = self._open(name)
        numbers = [one.number for one in made.used()]
        if number not in numbers:
            there = ", ".join(map(str, numbers)) or "none"
            raise StoreRefused(f"{name} has no reading {number} in use; in use: {there}")
        return made

    def _reading(
        self, name: str, typed: Mapping[str, JsonValue], record: Record
    ) -> dict[str, JsonValue]:
        """The body of a reading that can be; its run is looked up in the record."""
        made = self._open(name)
        kept: dict[str, JsonValue] = {
            key: value for key, value in typed.items() if value is not None
        }
        with _clearly():
            found = reading_of(begun(made.kind, made.head, made.begun.who), kept)
        body: dict[str, JsonValue] = {"typed": kept}
        run = getattr(found, "run", None)
        if run is not None:
            kept["run"] = record.run(run)
            if getattr(found, "dose_mj_cm2", 0.0) is None:
                body["dose_mj_cm2"] = record.dose(run)
        return body

    def _enter(self, kind: str, nth: int, act: Act, by: By, body: Mapping[str, JsonValue]) -> int:
        done = f"{act}: experiment {kind}-{nth}"
        return self.entries.append(by, done, body, kind=kind, nth=nth, act=str(act))


def _entry(row: Row) -> Entry:
    number, kind, nth, act, at_ms, who, why, body = row
    return Entry(number, kind, nth, Act(act), from_ms(at_ms), who, why, json.loads(body))


def _reasoned(by: By, what: str) -> None:
    if not by.why.strip():
        raise StoreRefused(f"say why {what}")


@contextmanager
def _clearly() -> Iterator[None]:
    """What is wrong with what was typed, as one refusal: what, value and bound of each."""
    try:
        yield
    except ExperimentError as error:
        raise StoreRefused("\n".join(
            f"{one.key}{'' if one.value is None else f' = {one.value}'}: {one.text}"
            for one in error.problems
        )) from None  # fmt: skip


def _checked_head(kind: str, head: Mapping[str, JsonValue], who: str) -> None:
    with _clearly():
        begun(kind, head, who)


def _told(made: Made) -> Conclusion:
    with _clearly():
        whole = made.experiment()
    return concluded(whole, _no_run)


def _no_run(run: str) -> float:
    raise StoreRefused(f"the dose of run {run} was not kept")
