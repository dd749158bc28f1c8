"""Filters find what was recorded, as it was corrected; in files without facts, and fast."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from platelink.events.event import Event
from platelink.events.light import ContactHeld
from platelink.events.steps import Inspected, PlateCorrected, PlateNoted
from platelink.events.unit import AlarmMoved
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.story import story_of
from record.make import drop_facts, event, journal_at, later, start
from record.test_queries import RUNS, YEAR_S, YearJournal, year

__all__ = ["year"]
RECIPE = {
    "title": "Invented", "step": [
        {"name": "film", "kind": "expose", "tolerance_pct": 1.5},
        {"name": "screen", "kind": "expose", "screen": "screen-9"},
        {"name": "inspect", "kind": "inspect", "point": [
            {"name": "large area", "low_um": 22.0, "high_um": 27.0}]},
    ],
}  # fmt: skip
PEOPLE = {"P-1": "Otto", "P-2": "Otto", "P-3": "Ärna"}


def put(journal: Journal, run_id: str | None, what: Event, second: float, text: str = "") -> None:
    journal.append(
        event(journal, run_id, name=what.name, data=what.data(), text=text, at=later(second))
    )


def alarm(name: str, priority: str, of_run: str | None, plate: str | None) -> AlarmMoved:
    return AlarmMoved(
        alarm=name, priority=priority, group="g", from_="normal", to="unacknowledged",
        act="raised", value=1.0, limit=2.0, unit="kPa", since_utc_ms=None, until_utc_ms=None,
        first_out=True, who=None, why=None, of_run=of_run, plate=plate,
    )  # fmt: skip


def shop_journal(path: Path, *, plates: int = 3) -> None:
    """Plates P-1, P-2 ... with an exposure each; the second had an alarm, the third is a reject."""
    with journal_at(path) as journal:
        for n in range(1, plates + 1):
            name, t = f"P-{n}", 1000.0 * n
            request: dict[str, Any] = {
                "kind": "plate", "recipe": RECIPE, "revision": f"plate-a@{1 + n // 3}",
                "lot": f"L-{n // 3}", "film": f"F-{n // 2}",
            }  # fmt: skip
            journal.append(start(journal, name, later(t), step="plate", plate=name,
                                 operator=PEOPLE[name], job=f"Größe {n}", request=request,
                                 conditions={"platelink": f"0.{n // 3}.0"}))  # fmt: skip
            run = f"run-{n}"
            journal.append(start(journal, run, later(t + 10), plate=name, operator=PEOPLE[name],
                                 target_dose_mj_cm2=340.0, request={"revision": "plate-a"},
                                 conditions={"calibrations": [
                                     {"sensor": "light 0", "calibration": f"light 0@{n // 3}"},
                                 ]}))  # fmt: skip
            put(journal, run, ContactHeld(vacuum_kpa=80.0, pull_down_s=4.0 + n), t + 11)
            if n == 2:
                put(journal, None, alarm("contact lost", "high", run, name), t + 12)
            journal.end_run(run, later(t + 40), "complete", "done", dose_mj_cm2=340.0 + n,
                            light_s=34.0)  # fmt: skip
            judged = "reject" if n == 3 else "good"
            found = Inspected(judged, {"large area": 42.5 if n == 1 else 24.0}, {}, (), "", "Lea")
            put(journal, name, found, t + 50)
            journal.end_run(name, later(t + 60), "complete", "done", data={"judgement": judged})


def found(reader: JournalReader, **wanted: Any) -> list[str]:
    return [run.start.run_id for run in reader.runs(**wanted)]


BOTH = [
    ({"lot": "L-0"}, ["run-2", "P-2", "run-1", "P-1"]),
    ({"lot": "L-0", "step": "plate"}, ["P-2", "P-1"]),
    ({"film": "F-1"}, ["run-3", "P-3", "run-2", "P-2"]),
    ({"search": "f-0"}, ["P-1"]),
    ({"recipe": "plate-a", "step": "plate"}, ["P-3", "P-2", "P-1"]),
    ({"recipe": "plate-a@2", "step": "plate"}, ["P-3"]),
    ({"verdict": "reject"}, ["run-3", "P-3"]),
    ({"alarm": "contact lost"}, ["run-2", "P-2"]),
    ({"alarm": "high", "step": "plate"}, ["P-2"]),
    ({"alarm": "low"}, []),
    ({"person": "Ärna", "step": "plate"}, ["P-3"]),
    ({"person": "Lea"}, ["P-3", "P-2", "P-1"]),  # who only measured
    ({"screen": "screen-9", "step": "film"}, ["run-3", "run-2", "run-1"]),
    ({"search": "GRÖSSE 2"}, ["P-2"]),
    ({"search": "ärNA", "step": "plate"}, ["P-3"]),
    ({"search": "100%"}, []),
    ({"lot": "L-0", "verdict": "good", "person": "Otto", "since": later(1500)}, ["run-2", "P-2"]),
]


@pytest.mark.parametrize(("wanted", "ids"), BOTH, ids=lambda v: str(v)[:40])
def test_each_filter_finds_what_was_recorded(
    tmp_path: Path, wanted: dict[str, Any], ids: list[str]
) -> None:
    path = tmp_path / "journal.db"
    shop_journal(path)
    with JournalReader.open(path) as reader:
        assert found(reader, **wanted) == ids
    # the same of a file that no release with facts has written to
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        drop_facts(db)
        db.execute("PRAGMA user_version = 3")
    with JournalReader.open(path) as reader:
        assert not reader.has_facts and found(reader, **wanted) == ids
        assert reader.runs(step="plate")[0].summary.lot == "L-1"
    with journal_at(path) as journal:  # brought up to date, with facts of what is there
        assert journal.reader.has_facts and found(journal.reader, **wanted) == ids


def test_a_correction_is_what_counts_and_what_was_recorded_stays(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    shop_journal(path)
    with journal_at(path) as journal:
        before = journal.reader.run("P-1")
        assert before is not None
        put(journal, None, PlateCorrected("P-1", "lot", "L-0", "L-9", "Ada", "wrong label"), 5000)
        put(journal, None, PlateCorrected("P-1", "depth large area", 42.5, 24.5, "Ada", "x"), 5001)
        put(journal, None, PlateNoted("P-1", "scratch at the edge", "Otto"), 5002)
        reader = journal.reader
        assert found(reader, lot="L-9") == ["run-1", "P-1"]
        assert found(reader, lot="L-0") == ["run-2", "P-2"]
        assert found(reader, search="L-0", step="plate") == ["P-2", "P-1"]  # also what was there
        assert found(reader, search="scratch") == ["P-1"]
        after = reader.run("P-1")
        assert after is not None and (after.start, after.end) == (before.start, before.end)
        summary = after.summary
        assert (summary.lot, after.start.request["lot"]) == ("L-9", "L-0")
        assert [(c.field, c.was, c.now, c.who, c.why) for c in summary.corrections] == [
            ("lot", "L-0", "L-9", "Ada", "wrong label"),
            ("depth large area", 42.5, 24.5, "Ada", "x"),
        ]
        assert [(n.who, n.text) for n in summary.notes] == [("Otto", "scratch at the edge")]
        (depth,) = story_of(reader, after).depths
        assert (depth.recorded_um, depth.um, depth.within, depth.corrected) == (
            42.5, 24.5, True, True,
        )  # fmt: skip
        assert reader.check("P-1").ok  # type: ignore[union-attr] -- it is there


def test_a_damaged_facts_table_is_made_anew_by_repair(tmp_path: Path) -> None:
    from platelink.doctor.repair import repair

    path = tmp_path / "journal.db"
    shop_journal(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DELETE FROM facts WHERE name = 'lot'")
    made = repair(path).target
    with JournalReader.open(made) as reader:
        assert found(reader, lot="L-0", step="plate") == ["P-2", "P-1"]


@pytest.mark.alone
@pytest.mark.parametrize(
    "wanted",
    [{}, {"lot": "none"}, {"alarm": "high"}, {"verdict": "good"}, {"person": "B"},
     {"search": "P-17"}, {"search": "nothing like it"}],
    ids=str,
)  # fmt: skip
def test_history_over_20_000_runs_answers_within_200_ms(
    year: tuple[YearJournal, list[Any]], wanted: dict[str, Any]
) -> None:
    journal, _ = year
    assert RUNS == 20_000 and YEAR_S

    def asked() -> float:
        begun = time.process_time()
        [run.summary for run in journal.reader.runs(limit=101, **wanted)]
        return time.process_time() - begun

    assert min(asked() for _ in range(3)) < 0.2
