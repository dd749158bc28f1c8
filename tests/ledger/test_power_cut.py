"""A power cut at any call: every file opens, and holds all that was told as kept before it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from people.make import opened
from record.make import journal_at

from ledger.powercut import calls_of, power_cuts
from platelink.publish.cursor import CursorFile
from platelink.publish.recorder_journal import RecorderJournal
from platelink.recipe.store import RecipeStore

HEAD = """
import os, sys
from pathlib import Path
place = Path(sys.argv[1])
told = os.open(place / "told", os.O_WRONLY)
def tell(number):
    os.pwrite(told, b"%d" % number, 0)
"""
JOURNAL = """
from record.make import block, channels, event, journal_at, later, start
journal = journal_at(place / "journal.db")
for run in ("r1", "r2"):
    journal.append(start(journal, run))
    journal.append(channels(journal, run))
    for second in range(3):
        journal.append_samples(run, block(20, first=20 * second), later(second))
        journal.append(event(journal, run, name=f"event {second}"))
        journal.keep({"alone": second}, later(second))
        if second:
            journal.checkpoint(quiet=second == 2)
            tell(journal.reader.last_number())
    journal.end_run(run, later(4), "complete", "dose reached")
journal.checkpoint(quiet=True)
tell(journal.reader.last_number())
"""
RECORDER = """
from publish import publish_samples as ps
from publish.test_recorder_journal import put
from platelink.publish.recorder_journal import RecorderJournal
journal = RecorderJournal(place / "recorder.db")
rows = 0
for entry in ps.whole_run(3, 4):
    rows += len(put(journal, entry))
    tell(rows)
"""
RECIPES = """
from platelink.recipe.store import RecipeStore
from recipe.make import by, plate
store = RecipeStore.open(place / "recipes.db")
for number in range(1, 5):
    store.add(plate(title=f"trial {number}"), by("a change"))
    tell(number)
"""
PEOPLE = """
from people.make import by, opened
from platelink.contract.words import Role
store = opened(place / "people.db")
for number, name in enumerate(["A. Example", "B. Example", "C. Example"], 1):
    secret = f"an invented phrase {number}"
    if number == 1:
        store.add_first(name, secret, by("new here"))
    else:
        store.add(name, Role.OPERATOR, secret, by("new here"))
    tell(number)
"""
CURSOR = """
from platelink.publish.cursor import CursorFile, CursorState
file = CursorFile(place / "cursor.json")
for number in range(1, 5):
    file.save(CursorState(number, f"j-{number}", 1))
    tell(number)
"""


def in_journal(place: Path) -> int:
    with journal_at(place / "journal.db", ballast_bytes=4096) as journal:
        rows = journal.reader.outbox_after(0, 1000)
        assert [row.number for row in rows] == list(range(1, len(rows) + 1))
        assert journal.reader.faults() == []
        return len(rows)


def in_recorder(place: Path) -> int:
    journal = RecorderJournal(place / "recorder.db")
    try:
        return len(journal.rows())
    finally:
        journal.close()


def in_recipes(place: Path) -> int:
    with RecipeStore.open(place / "recipes.db") as store:
        return len(store.revisions("plate-a-fine"))


def in_people(place: Path) -> int:
    with opened(place / "people.db") as store:
        return len(store.log.history())


def in_cursor(place: Path) -> int:
    file = CursorFile(place / "cursor.json")
    number = file.load().number
    assert not file.notice
    return number


@pytest.mark.parametrize(
    ("script", "held", "least"),
    [
        (JOURNAL, in_journal, 40),
        (RECORDER, in_recorder, 40),
        (RECIPES, in_recipes, 40),
        (PEOPLE, in_people, 40),
        (CURSOR, in_cursor, 12),
    ],
    ids=["journal", "recorder", "recipes", "people", "cursor"],
)
def test_what_was_told_as_kept_is_there(
    script: str, held: Callable[[Path], int], least: int, tmp_path: Path
) -> None:
    place = tmp_path / "disk"
    calls = calls_of(HEAD + script, place)
    cuts = list[int]()
    for number, told, left in power_cuts(calls, place, tmp_path / "left"):
        found = held(left)
        assert found >= told, f"after {number} calls: {found} of {told}, {calls[number][:4]}"
        shutil.rmtree(left)
        cuts.append(told)
    assert len(cuts) >= least
    assert cuts[0] == 0 < cuts[-1]
