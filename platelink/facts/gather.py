"""Entries of a journal gathered to plates and lone runs. Reads a journal, never writes."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence

from platelink.events.event import EventName
from platelink.facts.derive import Json, Made, RunFound, made_of, text
from platelink.facts.digest import Digest, wanted
from platelink.facts.workers import Digesting
from platelink.ledger.database import Row
from platelink.ledger.readable import unreadable
from platelink.record.errors import JournalDamaged
from platelink.record.packed import packed_runs
from platelink.record.reader import JournalReader

_MOST_NAMES = 500
"""Values of one query; SQLite takes 999 in its oldest releases."""
_AT_ONCE = 50
"""Runs whose samples are fetched and digested together."""
_RAISED = "unacknowledged"
Told = Callable[[int, str], None]
"""Gets the number of a start that cannot be read, or not whole, and the reason."""


class Gathered:
    """The plates and lone runs that these runs are, or are parts of. ``lamps``: when other lamps
    were put in, ms. All is read at once, and the samples' digests are begun."""

    def __init__(
        self, journal: JournalReader, run_ids: Iterable[str], lamps: Sequence[int], told: Told,
        digesting: Digesting,
    ) -> None:  # fmt: skip
        self._journal, self._lamps, self._told = journal, lamps, told
        self._digesting = digesting
        self._coming: list[tuple[list[RunFound], Callable[[], list[Digest]]]] = []
        wholes = self._wholes(sorted(run_ids))
        self._parts_of = self._parts(wholes)
        self._found = self._runs({*wholes, *(p for each in self._parts_of.values() for p in each)})
        self._made_of = [self._found[whole] for whole in wholes if whole in self._found]
        self._alarms_then = self._alarms(self._made_of)

    def made(self) -> list[Made]:
        """With what is kept of their samples."""
        for some, digests in self._coming:
            for run, digest in zip(some, digests(), strict=True):
                run.digest = digest
                if digest.damage:
                    self._told(run.number, digest.damage)
        self._coming.clear()
        runs, parts, alarms = self._found, self._parts_of, self._alarms_then
        made = []
        for whole in self._made_of:
            of_it = sorted((runs[p] for p in parts[whole.run_id] if p in runs), key=_by_number)
            names = [name for at, name in alarms if whole.number < at < whole.last]
            lamp_set = 1 + sum(at_ms <= whole.at_ms for at_ms in self._lamps)
            try:
                one = made_of(whole, of_it, names, lamp_set)
                (one.name + text(one.facts)).encode()  # what is no text is damaged
                made.append(one)
            except (AttributeError, KeyError, TypeError, ValueError) as error:
                what = f"run {whole.run_id!s:.40}"
                self._told(whole.number, unreadable(self._journal.path, what, error))
        return made

    def _wholes(self, run_ids: Sequence[str]) -> list[str]:
        found: dict[str, None] = {}
        for some in _some(run_ids):
            marks = ", ".join("?" * len(some))
            for run_id, plate in self._journal.rows(
                "SELECT r.run_id, p.run_id FROM runs r LEFT JOIN runs p ON p.run_id = r.plate "  # noqa: S608 -- marks only
                f"WHERE r.run_id IN ({marks})", *some,
            ):  # fmt: skip
                found[plate or run_id] = None
        return list(found)

    def _parts(self, wholes: Sequence[str]) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {whole: [] for whole in wholes}
        for some in _some(wholes):
            marks = ", ".join("?" * len(some))
            for plate, run_id in self._journal.rows(
                f"SELECT plate, run_id FROM runs WHERE plate IN ({marks}) AND run_id <> plate",  # noqa: S608
                *some,
            ):
                found[plate].append(run_id)
        return found

    def _runs(self, run_ids: Iterable[str]) -> dict[str, RunFound]:
        found: dict[str, RunFound] = {}
        for some in _some(sorted(run_ids)):
            marks = ", ".join("?" * len(some))
            rows = self._journal.rows(
                "SELECT number, kind, run_id, at_ms, body FROM entries "  # noqa: S608
                f"WHERE run_id IN ({marks}) AND kind IN ('start', 'event', 'end') ORDER BY number",
                *some,
            )
            for row in rows:
                self._take(found, row)
        self._later(found)
        over = [run for run in found.values() if run.end is not None and run.kind != "plate"]
        for run in over:
            self._complete(run)
        sampled = [run for run in over if (run.end or {}).get("samples")]
        for i in range(0, len(sampled), _AT_ONCE):
            self._digest(sampled[i : i + _AT_ONCE])
        return found

    def _digest(self, runs: list[RunFound]) -> None:
        """Have their samples digested; where one of them cannot be fetched, the others."""
        try:
            packed = packed_runs(self._journal, [run.run_id for run in runs], wanted)
        except JournalDamaged as error:
            for run in runs if len(runs) > 1 else ():
                self._digest([run])
            if len(runs) == 1:
                self._told(runs[0].number, str(error))
            return
        self._coming.append((runs, self._digesting(packed)))

    def _later(self, found: dict[str, RunFound]) -> None:
        """What people noted and corrected after the end."""
        plates = [run_id for run_id, run in found.items() if run.kind == "plate"]
        for some in _some(plates if self._journal.has_facts else ()):
            marks = ", ".join("?" * len(some))
            for run_id, number, stored in self._journal.rows(
                "SELECT f.run_id, e.number, e.body FROM facts f JOIN entries e "  # noqa: S608
                f"ON e.number = f.value WHERE f.name = 'entry' AND f.run_id IN ({marks}) "
                "ORDER BY e.number", *some,
            ):  # fmt: skip
                try:
                    found[run_id].later.append(dict(json.loads(stored)["data"]))
                except (KeyError, TypeError, ValueError) as error:
                    what = f"entry {number}"
                    self._told(found[run_id].number, unreadable(self._journal.path, what, error))

    def _take(self, found: dict[str, RunFound], row: Row) -> None:
        number, kind, run_id, at_ms, stored = row
        if kind != "start" and run_id not in found:
            return  # of a start that cannot be read, which has been told
        try:
            body: Json = json.loads(stored)
            if kind == "start":
                body.get("conditions")  # a start is an object
                found[run_id] = RunFound(number, run_id, at_ms, body)
            elif kind == "end":
                run = found[run_id]
                run.end, run.ended_ms, run.last = body, at_ms, number
            else:
                found[run_id].events.append((at_ms, body))
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            of = found[run_id].number if run_id in found else number
            self._told(of, unreadable(self._journal.path, f"entry {number}", error))

    def _complete(self, run: RunFound) -> None:
        """What the device told later."""
        if not ((run.end or {}).get("data") or {}).get("uncertain_mj_cm2"):
            return
        try:
            told = self._journal.newest_unit_event(EventName.DOSE_CORRECTED, of_run=run.run_id)
            run.corrected = dict(told.data) if told is not None else None
        except JournalDamaged as error:
            self._told(run.number, str(error))

    def _alarms(self, wholes: Sequence[RunFound]) -> list[tuple[int, str]]:
        """Number and class of each raised while any of them was made."""
        if not wholes:
            return []
        rows = self._journal.rows(
            # By number, not by an index: those entries alone are between.
            "SELECT number, json_extract(body, '$.data.alarm') FROM entries "
            "WHERE number BETWEEN ? AND ? AND +run_id IS NULL AND +kind = 'event' "
            "AND json_valid(body) AND json_extract(body, '$.name') = ? "
            "AND json_extract(body, '$.data.to') = ?",
            min(w.number for w in wholes), max(w.last for w in wholes), EventName.ALARM, _RAISED,
        )  # fmt: skip
        return [(number, name) for number, name in rows if isinstance(name, str)]


def _by_number(run: RunFound) -> int:
    return run.number


def _some(values: Sequence[str]) -> Iterable[Sequence[str]]:
    return (values[i : i + _MOST_NAMES] for i in range(0, len(values), _MOST_NAMES))
