"""What of the journal and of the stores beside it is to be sealed, and its files."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from platelink.calibrations.schema import CALIBRATIONS
from platelink.events.event import EventName
from platelink.evidence.content import Row, entry_of, record_file, run_of, table_name, table_of
from platelink.evidence.seal import read_manifest, sum_of
from platelink.experiments.schema import EXPERIMENTS
from platelink.ledger.by import from_ms
from platelink.ledger.database import Database
from platelink.ledger.kind import Kind
from platelink.people.schema import PEOPLE
from platelink.recipe.schema import RECIPES
from platelink.record.reader import JournalReader
from platelink.record.removed import removed_of, told_samples
from platelink.record.rows import intact
from platelink.record.stored import Removed, RunRecord
from platelink.record.story import alarms_of

_ROW = "number, kind, run_id, at_ms, body"
_NAMES = ("of_run", "run", "plate")
"""Where an event outside runs names the record that it adds to."""


class Record(NamedTuple):
    """Something that has closed."""

    kind: str
    name: str
    first: int
    last: int
    files: dict[str, bytes]
    gone: Mapping[str, Removed] = MappingProxyType({})
    """Paths of samples that were removed on purpose, which are in ``files`` no more."""

    @property
    def removed(self) -> str:
        """Why, in a sentence for who has compared the rest; empty where all are there."""
        return next((one.compared for one in self.gone.values()), "")

    def as_sealed(self, manifest: bytes) -> bool:
        """Whether all that is there is what was sealed, and nothing else is gone."""
        sums = {path: sum_of(data) for path, data in self.files.items()}
        return {p: s for p, s in read_manifest(manifest).items() if p not in self.gone} == sums


class JournalRecords:
    """The records of a journal. ``uuid`` is the id that they are told under: the journal's own, or
    the one it had before it was restored."""

    def __init__(self, reader: JournalReader, uuid: str | None = None) -> None:
        self.reader = reader
        self.uuid = uuid or reader.uuid

    def closed(self, after: int, upto: int) -> Iterator[tuple[int, tuple[str, str] | None]]:
        """What closed within these entries, in order: number, kind and name; None where an entry
        closes nothing by itself."""
        rows = self.reader.rows(
            f"SELECT {_ROW} FROM entries WHERE number > ? AND number <= ? "  # noqa: S608 -- fixed text
            "AND (kind = 'end' OR run_id IS NULL) ORDER BY number",
            after, upto,
        )  # fmt: skip
        for values in rows:
            row = Row(*values)
            yield row.number, self._run_closed(row) if row.kind == "end" else self._noted(row)

    def _noted(self, row: Row) -> tuple[str, str] | None:
        with intact(self.reader.path, f"entry {row.number}"):
            data = json.loads(row.body).get("data", {})
            named = any(isinstance(data.get(name), str) for name in _NAMES)
        return ("note", f"entry {row.number}") if named else None

    def _run_closed(self, row: Row) -> tuple[str, str] | None:
        run_id = str(row.run_id)
        plate = self._plate_of(run_id)
        if plate is None:
            return ("exposure", run_id)
        return ("plate", plate) if all(map(self._ended, self.runs(plate))) else None

    def of_run(self, run_id: str) -> tuple[str, str]:
        """Kind and name of the record that a run is a part of, or is."""
        plate = self._plate_of(run_id)
        return ("exposure", run_id) if plate is None else ("plate", plate)

    def _plate_of(self, run_id: str) -> str | None:
        """The plate that a run is a part of, or is."""
        rows = self.reader.rows(
            "SELECT p.run_id FROM runs r JOIN runs p ON p.run_id IN (r.plate, r.run_id) "
            "JOIN entries e ON e.number = p.number LEFT JOIN ends x ON x.run_id = p.run_id "
            "WHERE r.run_id = ? AND json_extract(e.body, '$.request.kind') = 'plate' "
            "AND r.number >= p.number AND r.number < coalesce(x.number, r.number + 1)",
            run_id,
        )
        return str(rows[0][0]) if rows else None

    def runs(self, plate: str) -> list[str]:
        """The plate's run and those of its parts, in the order they were begun."""
        rows = self.reader.rows(
            "SELECT r.run_id FROM runs r JOIN runs p ON p.run_id = ? "
            "LEFT JOIN ends x ON x.run_id = p.run_id WHERE r.plate = ? OR r.run_id = ? "
            "GROUP BY r.run_id HAVING r.number >= p.number "
            "AND r.number < coalesce(x.number, r.number + 1) ORDER BY r.number",
            plate, plate, plate,
        )  # fmt: skip
        return [str(run_id) for (run_id,) in rows]

    def _ended(self, run_id: str) -> bool:
        return bool(self.reader.rows("SELECT 1 FROM ends WHERE run_id = ?", run_id))

    def beside(self, run: RunRecord) -> list[dict[str, Any]]:
        """Entries outside a run, or a plate and its parts, that tell of it: alarms meanwhile, notes
        and corrections after it. Each is sealed by itself."""
        reader, run_id = self.reader, run.start.run_id
        found = [event for event, _ in alarms_of(reader, run)] + list(run.after)
        for part in (run_id, *(part.start.run_id for part in reader.parts(run_id))):
            corrected = reader.newest_unit_event(EventName.DOSE_CORRECTED, of_run=part)
            found += [corrected] if corrected is not None else []
        numbers = sorted({reader.number_of(event.id) for event in found})
        rows = [
            Row(*row) for number in numbers
            for row in reader.rows(f"SELECT {_ROW} FROM entries WHERE number = ?", number)  # noqa: S608 -- fixed text
        ]  # fmt: skip
        return [entry_of(row, self.uuid) for row in rows]

    # --- files -----------------------------------------------------------------------------

    def record(self, kind: str, name: str, first: int = 0, last: int = 0) -> Record:
        """The files of a record as the journal has it now. ``JournalDamaged`` where it cannot be
        read, ``LookupError`` where it is not there. ``first`` and ``last`` are of "events"."""
        if kind in ("plate", "exposure"):
            return self._of_runs(kind, name, self.runs(name) if kind == "plate" else [name])
        if kind == "note":
            first = last = int(name.removeprefix("entry "))
        return self._of_events(kind, name, first, last)

    def _of_runs(self, kind: str, name: str, run_ids: list[str]) -> Record:
        tables: dict[str, bytes] = {}
        gone: dict[str, Removed] = {}
        runs, numbers = [], []
        for place, run_id in enumerate(run_ids):
            rows = [Row(*row) for row in self.reader.rows(
                f"SELECT {_ROW} FROM entries WHERE run_id = ? AND kind <> 'samples' "  # noqa: S608 -- fixed text
                "ORDER BY number", run_id,
            )]  # fmt: skip
            kinds = {row.kind for row in rows}
            if not kinds >= {"start", "end"}:
                raise LookupError(f"run {run_id} has no {'end' if 'start' in kinds else 'start'}")
            with intact(self.reader.path, f"run {run_id!s:.40}"):
                removed = removed_of(self.reader, run_id)
                block = self.reader.samples(run_id)
                count = len(block) or (told_samples(self.reader, run_id) if removed else 0)
                table = None
                if count:
                    table = table_name(place, str(json.loads(rows[0].body).get("step", "")))
                if table is not None and len(block):
                    tables[table] = b"".join(table_of(block))
                elif table is not None and removed is not None:
                    gone[table] = removed
                runs.append(run_of(rows, self.uuid, table, count))
            numbers += [row.number for row in rows if row.kind in ("start", "end")]
        if not runs:
            raise LookupError(f"there is no run {name}")
        told = {"name": name, "journal": self.uuid, "runs": runs}
        files = record_file(kind, self.reader.unit, told) | tables
        return Record(kind, name, min(numbers), max(numbers), files, gone)

    def _of_events(self, kind: str, name: str, first: int, last: int) -> Record:
        rows = [Row(*row) for row in self.reader.rows(
            f"SELECT {_ROW} FROM entries WHERE number BETWEEN ? AND ? AND run_id IS NULL "  # noqa: S608 -- fixed text
            "ORDER BY number", first, last,
        )]  # fmt: skip
        with intact(self.reader.path, name):
            events = [entry_of(row, self.uuid) for row in rows]
        told = {"name": name, "journal": self.uuid, "events": events}
        return Record(kind, name, first, last, record_file(kind, self.reader.unit, told))


class _Of(NamedTuple):
    """How records of a store are found."""

    kind: Kind
    record: str
    closing: str
    """Condition of the entries that close a record."""
    whole: str
    """Condition of the entries that the record is made of, up to the closing one ``c``."""
    name: str
    columns: tuple[str, ...]


_COMMON = ("at_ms", "who", "why", "body")
STORES = {
    "recipes": _Of(
        RECIPES, "recipe", "c.about = 'recipe' AND c.act IN ('approved', 'retired')",
        "e.about = 'recipe' AND e.name = c.name AND json_extract(e.body, '$.revision') = "
        "json_extract(c.body, '$.revision')",
        "c.act || ' ' || c.name || '@' || json_extract(c.body, '$.revision')",
        ("number", "name", "act", *_COMMON),
    ),
    "people": _Of(
        PEOPLE, "people", "c.act IN ('added', 'role changed', 'secret changed', 'closed', "
        "'opened again', 'unlocked')",
        "e.number = c.number", "'entry ' || c.number", ("number", "name", "act", *_COMMON),
    ),
    "calibrations": _Of(
        CALIBRATIONS, "calibration", "c.act IN ('finished', 'approved', 'dropped')",
        "e.sensor = c.sensor AND e.revision = c.revision",
        "c.act || ' ' || c.sensor || '@' || c.revision",
        ("number", "sensor", "revision", "act", *_COMMON),
    ),
    "experiments": _Of(
        EXPERIMENTS, "experiment", "c.act IN ('concluded', 'dropped')",
        "e.kind = c.kind AND e.nth = c.nth",
        # One is concluded as often as readings were added.
        "c.act || ' ' || c.kind || '-' || c.nth || ', entry ' || c.number",
        ("number", "kind", "nth", "act", *_COMMON),
    ),
}  # fmt: skip


def store_records(
    store: str, path: Path, unit: str, *, after: int = 0, name: str | None = None
) -> Iterator[Record]:
    """What was closed in a store, in order: of all of it after an entry, or of one name."""
    of = STORES[store]
    columns = ", ".join(f"e.{column}" for column in of.columns)
    with closing(Database(path, of.kind, read_only=True)) as database:
        closing_rows = database.rows(
            f"SELECT c.number, {of.name} FROM entries c WHERE c.number > ? AND {of.closing} "  # noqa: S608 -- fixed text
            f"AND ? IN ({of.name}, '') ORDER BY c.number",
            (after, name or ""),
        )
        for number, named in closing_rows:
            rows = database.rows(
                f"SELECT {columns} FROM entries c JOIN entries e ON e.number <= c.number "  # noqa: S608 -- fixed text
                f"AND {of.whole} WHERE c.number = ? ORDER BY e.number",
                (number,),
            )
            entries = [_told(dict(zip(of.columns, row, strict=True))) for row in rows]
            files = record_file(of.record, unit, {"name": str(named), "entries": entries})
            yield Record(of.record, str(named), entries[0]["number"], number, files)


def _told(entry: dict[str, Any]) -> dict[str, Any]:
    at_utc = from_ms(entry.pop("at_ms"))
    return entry | {"at_utc": at_utc.isoformat(), "body": json.loads(entry["body"])}
