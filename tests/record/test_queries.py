"""Finding runs among years of them, and reading while the daemon writes."""

import json
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from platelink.ledger.by import to_ms
from platelink.record.journal import Journal
from platelink.record.stored import RunRecord
from record.make import T0, UNIT, block, channels, event, journal_at, later, start

RUNS = 20_000
YEAR_S = 365 * 86_400
STEPS = ("film", "screen", "hardening")
OPERATORS = ("A", "B", "C", None)
STATES = ("complete",) * 96 + ("stopped", "aborted", "interrupted", "open")


class YearJournal(Journal):
    """A journal that can be given a year of invented runs in one transaction, and asked how it
    looks runs up."""

    def add_year(self) -> list[dict]:
        rng = random.Random(1)
        given = []
        runs, entries, ends = [], [], []
        for i in range(RUNS):
            run = {
                "run_id": f"run-{i}",
                "at": later(i * YEAR_S / RUNS),
                "step": rng.choice(STEPS),
                "operator": rng.choice(OPERATORS),
                "plate": f"P-{rng.randrange(400)}",
                "state": rng.choice(STATES),
            }
            number, ms = len(entries) + 1, to_ms(run["at"])
            fields = {k: run[k] for k in ("step", "plate", "operator")}
            runs.append((run["run_id"], number, ms, *fields.values()))
            entries.append((number, "start", run["run_id"], ms, json.dumps(fields)))
            if run["state"] != "open":
                end = f'{{"state": "{run["state"]}", "reason": "", "samples": 0, "events": 0}}'
                entries.append((number + 1, "end", run["run_id"], ms + 60_000, end))
                ends.append((run["run_id"], number + 1, run["state"]))
            given.append(run)
        database = self._db._connection
        with self._db.transaction():
            database.executemany("INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?)", runs)
            database.executemany("INSERT INTO entries VALUES (?, ?, ?, ?, ?)", entries)
            database.executemany("INSERT INTO ends VALUES (?, ?, ?)", ends)
        return given

    def plan(self, **fields: object) -> str:
        """SQLite's query plan of ``runs(**fields)``."""
        statements: list[str] = []
        connection = self._db._connection
        connection.set_trace_callback(statements.append)
        self.reader.runs(**fields, limit=1)
        connection.set_trace_callback(None)
        query = next(sql for sql in statements if "FROM runs" in sql)
        return "; ".join(row[3] for row in self._db.rows(f"EXPLAIN QUERY PLAN {query}"))


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[YearJournal, list]]:
    path = tmp_path_factory.mktemp("year") / "journal.db"
    with YearJournal.open(path, unit=UNIT, new_uuid="u", ballast_bytes=4096) as journal:
        yield journal, journal.add_year()


FILTERS = [
    {},
    {"step": "screen"},
    {"plate": "P-17"},
    {"operator": "B"},
    {"state": "aborted"},
    {"state": "open"},
    {"since": later(YEAR_S / 2), "until": later(YEAR_S / 2 + 86_400)},
    {"plate": "P-17", "operator": "B", "state": "complete", "since": later(YEAR_S / 3)},
    {"plate": "nothing like it"},
]


def expected(given: list[dict], fields: dict) -> list[str]:
    """The same question answered by looking at every run."""
    found = [
        run
        for run in given
        if all(run[k] == v for k, v in fields.items() if k not in ("since", "until"))
        and fields.get("since", T0) <= run["at"] < fields.get("until", later(YEAR_S))
    ]
    return [run["run_id"] for run in reversed(found)]


def ids(runs: list[RunRecord]) -> list[str]:
    return [run.start.run_id for run in runs]


@pytest.mark.parametrize("fields", FILTERS, ids=lambda f: "+".join(f) or "all")
def test_filters_find_what_a_scan_finds(year, fields: dict) -> None:
    journal, given = year
    wanted = expected(given, fields)
    assert ids(journal.reader.runs(**fields, limit=150)) == wanted[:150]
    assert ids(journal.reader.runs(**fields, limit=2)) == wanted[:2]
    for run in journal.reader.runs(**fields, limit=20):
        state = run.end.state if run.end else "open"
        assert fields.get("state", state) == state


@pytest.mark.parametrize(
    ("fields", "index"),
    [
        ({}, "runs_by_time"),
        ({"since": later(5), "until": later(10)}, "runs_by_time (started_ms>? AND started_ms<?)"),
        ({"plate": "P-17"}, "runs_by_plate (plate=?)"),
        ({"plate": "P-17", "since": later(5)}, "runs_by_plate (plate=? AND started_ms>?)"),
        ({"operator": "B"}, "runs_by_operator (operator=?)"),
        ({"step": "film"}, "runs_by_step (step=?)"),
        ({"state": "aborted"}, "ends_by_state (state=?)"),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, dict) else "",
)
def test_filters_use_an_index(year, fields: dict, index: str) -> None:
    plan = year[0].plan(**fields)
    assert f"INDEX {index}" in plan, plan
    if set(fields) != {"state"}:
        # Found in order, so that the limit ends the search; ties alone are sorted.
        assert "TEMP B-TREE FOR ORDER BY" not in plan


def test_events_of_a_run_are_found_by_index(year) -> None:
    journal, _ = year
    plan = journal._db.rows(
        "EXPLAIN QUERY PLAN SELECT body FROM entries WHERE run_id = 'run-1' AND kind = 'event'"
    )
    assert "INDEX entries_by_run (run_id=? AND kind=?)" in plan[0][3]


def test_unit_events_by_time(tmp_path: Path) -> None:
    with journal_at(tmp_path / "journal.db") as journal:
        journal.append(start(journal))
        for second in range(10):
            journal.append(event(journal, None, name=f"u{second}", at=later(second)))
            journal.append(event(journal, "r1", name=f"r{second}", at=later(second)))
        names = [e.name for e in journal.reader.unit_events(since=later(2), until=later(6))]
        assert names == ["u5", "u4", "u3", "u2"]
        assert [e.name for e in journal.reader.unit_events(limit=1)] == ["u9"]


READER = """
import sys
from platelink.record.reader import JournalReader
with JournalReader.open(sys.argv[1]) as reader:
    seen = 0
    for line in sys.stdin:  # the writer says up to which number it has appended
        rows = reader.outbox_after(seen, 10_000)
        assert [r.number for r in rows] == list(range(seen + 1, seen + 1 + len(rows)))
        seen += len(rows)
        assert seen >= int(line), (seen, line)
        print(seen, flush=True)
"""


def test_another_process_reads_while_we_write(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        journal.append(start(journal))
        journal.append(channels(journal))
        reader = subprocess.Popen(
            [sys.executable, "-c", READER, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert reader.stdin is not None and reader.stdout is not None
        for second in range(40):
            journal.append_samples("r1", block(20, first=20 * second), later(second))
            reader.stdin.write(f"{journal.reader.last_number()}\n")
            reader.stdin.flush()
            journal.append(event(journal))  # while it reads
            journal.checkpoint(quiet=second % 2 == 0)
            assert int(reader.stdout.readline()) >= journal.reader.last_number() - 1
        reader.stdin.close()
        assert reader.wait(10) == 0
        reader.stdout.close()
        assert journal.reader.faults() == []
