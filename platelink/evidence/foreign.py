"""The record of a bundle as a journal of its own, in a file for as long as it is read.

Whoever reads a run reads it the same way, wherever it was made. What is in it is what is sealed:
entries that lie beside the record, as notes and corrections after its end, are in the reports only.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from platelink.codec import encode
from platelink.evidence.content import table_of
from platelink.evidence.seal import FORMAT, RECORD, Files
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.by import to_ms
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreError
from platelink.ledger.readable import WRONG
from platelink.record.chunk import stub_of
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL
from platelink.runs import SampleBlock

_OWN_COLUMNS = ("id", "kind", "run_id", "at_utc")


class ForeignReader(JournalReader):
    """Reads the journal made of a record."""

    def missing_numbers(self, first: int, last: int) -> int:
        """None: its other entries are not part of the record, and the seal vouches for those that
        are."""
        return 0


@contextmanager
def foreign_journal(files: Files) -> Iterator[ForeignReader]:
    """The record of a bundle that has been verified. ``EvidenceError`` where this release cannot
    read it."""
    with tempfile.TemporaryDirectory(prefix="platelink-foreign-") as folder:
        path = Path(folder) / "journal.sqlite"
        try:
            _write(path, json.loads(files[RECORD]), files)
            reader = ForeignReader.open(path)
        except (JournalError, StoreError, *WRONG) as error:
            shown = " ".join(str(error).split()).replace(str(path), RECORD)
            raise EvidenceError(f"this release cannot read its record ({shown:.200})") from error
        with reader:
            yield reader


def _write(path: Path, record: dict[str, Any], files: Files) -> None:
    if record["format"] != FORMAT:
        raise ValueError(f"format {record['format']}, this release reads {FORMAT}")
    with closing(Database(path, JOURNAL, read_only=False)) as database, database.transaction():
        # Between its entries stood others, which are not part of the record.
        database.execute("DROP TRIGGER entries_without_holes")
        database.execute(
            "INSERT INTO journal VALUES (1, ?, ?)", (record["journal"], record["unit"])
        )
        taken = {_number(entry) for run in record["runs"] for entry in _entries(run)}
        for run in record["runs"]:
            _write_run(database, run, files, taken)


def _entries(run: dict[str, Any]) -> list[dict[str, Any]]:
    found = [run["start"], run["channels"], *run["events"], run["end"]]
    return sorted((entry for entry in found if entry is not None), key=_number)


def _number(entry: dict[str, Any]) -> int:
    return int(entry["id"].rpartition("-")[2])


def _write_run(database: Database, run: dict[str, Any], files: Files, taken: set[int]) -> None:
    start, end = run["start"], run["end"]
    run_id, number = start["run_id"], _number(start)
    database.execute(
        "INSERT INTO runs (run_id, number, started_ms, step, plate, operator) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (run_id, number, _ms(start), start["step"], start.get("plate"), start.get("operator")),
    )
    for entry in _entries(run):
        if entry is end and run["samples"] is not None:
            block = _samples(files[run["samples"]["file"]])
            while number in taken:  # its samples were entries, too, and their numbers are free
                number += 1
            taken.add(number)
            _insert(database, number, "samples", run_id, _ms(end), stub_of(0, len(block)))
            database.execute("INSERT INTO blocks VALUES (?, ?)", (number, encode(block, 0)))
        body = {name: value for name, value in entry.items() if name not in _OWN_COLUMNS}
        text = json.dumps(body, ensure_ascii=False)
        _insert(database, _number(entry), entry["kind"], run_id, _ms(entry), text)
    database.execute(
        "INSERT INTO ends (run_id, number, state) VALUES (?, ?, ?)",
        (run_id, _number(end), end["state"]),
    )


def _insert(database: Database, number: int, *row: object) -> None:
    """A row's number, kind, run, time and body."""
    database.execute(
        "INSERT INTO entries (number, kind, run_id, at_ms, body) VALUES (?, ?, ?, ?, ?)",
        (number, *row),
    )


def _ms(entry: dict[str, Any]) -> int:
    return to_ms(datetime.fromisoformat(entry["at_utc"]))


def samples_in(files: Files, run_id: str) -> SampleBlock:
    """Of a run of a bundle that has been verified; ``KeyError`` where it has none."""
    for run in json.loads(files[RECORD])["runs"]:
        if run["start"]["run_id"] == run_id and run["samples"] is not None:
            return _samples(files[run["samples"]["file"]])
    raise KeyError(run_id)


def _samples(table: bytes) -> SampleBlock:
    """The table back to what it was made of: whole numbers stand without a point, and nothing but
    raw columns has them. ``ValueError`` where it is no such table."""
    head, *lines = table.decode("ascii").splitlines()
    columns = list(zip(*(line.split(",") for line in lines), strict=True))
    named = dict(zip(head.split(","), columns, strict=True))
    ticks, at_utc_ms = (np.array(named.pop(name), np.int64) for name in ("ticks", "at_utc_ms"))
    raw = {name: cells for name, cells in named.items() if cells[0].isdecimal()}
    block = SampleBlock(
        ticks=ticks,
        at_utc_ms=at_utc_ms,
        raw={name: np.array(list(map(int, cells)), np.uint64) for name, cells in raw.items()},
        values={
            name: np.array([float(cell) if cell else np.nan for cell in cells])
            for name, cells in named.items()
            if name not in raw
        },
    )
    if b"".join(table_of(block)) != table:
        raise ValueError("its samples are not as a table of samples is written")
    return block
