"""The facts file lost, damaged, killed, overtaken: it answers as the journal, or is made anew."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from facts.shop import T0, UUID, asking, content, journal_at, made_at, names
from platelink.contract.facts import Asked
from platelink.facts import build, verify
from platelink.facts.build import behind, bring_up, facts_beside
from platelink.facts.schema import FACTS
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreUnusable
from platelink.ledger.lock import WriterLock
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL
from platelink.simulated.invented import Shop


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal and its facts, to be copied."""
    path = made_at(tmp_path_factory.mktemp("build") / "journal.sqlite", 8)
    up(path)
    return path


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    for file in made.parent.iterdir():
        shutil.copy2(file, tmp_path / file.name)
    verify.seal(facts_beside(tmp_path / made.name))  # the copy is another file
    return tmp_path / made.name


def up(path: Path, **how: bool) -> build.Brought:
    with JournalReader.open(path) as journal:
        return bring_up(journal, facts_beside(path), **how)


def test_it_is_made_once_and_then_only_followed(path: Path) -> None:
    assert up(path) == build.Brought(0, 0, "")
    before = content(facts_beside(path))
    assert up(path, anew=True).anew == "as asked"
    assert content(facts_beside(path)) == before


def test_after_deletion_it_is_the_same(path: Path) -> None:
    before = content(facts_beside(path))
    facts_beside(path).unlink()
    assert up(path).anew == "there was none"
    assert content(facts_beside(path)) == before


@pytest.mark.parametrize("batch", [1, 7, 50])
def test_batch_by_batch_it_becomes_what_it_is_at_once(
    path: Path, batch: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = content(facts_beside(path))
    monkeypatch.setattr(build, "BATCH", batch)
    up(path, anew=True)
    assert content(facts_beside(path)) == before


def test_what_comes_later_is_taken_up_by_whoever_asks(path: Path) -> None:
    count = len(names(path))
    with journal_at(path) as journal:
        shop = Shop(journal, journal.reader.last_at_utc() or T0, seed=9)
        shop.made = 500
        shop.begin("P-000777", "plate", "P-000777", "A. Example", {"kind": "plate"})
        assert names(path, state="open") == ["P-000777"]
        shop.alarm("link lost")
        assert names(path, alarm="link lost", state="open") == ["P-000777"]
        shop.exposure("late", "film", "P-000777", "C. Example")
        assert names(path, operator="C. Example", state="open") == ["P-000777"]
        shop.end("P-000777", "good", {"judgement": "good"})
        assert names(path, state="open") == []
        assert names(path, plate="P-000777", verdict="good", alarm="link lost") == ["P-000777"]
        shop.plate()
    assert len(names(path)) == count + 2
    followed = content(facts_beside(path))
    up(path, anew=True)
    assert content(facts_beside(path)) == followed


def test_a_run_that_was_lone_becomes_part_of_the_plate_that_begins(path: Path) -> None:
    with journal_at(path) as journal:
        shop = Shop(journal, journal.reader.last_at_utc() or T0)
        shop.exposure("before", "film", "P-X", "A. Example")
        assert names(path, kind="expose")[0] == "P-X"
        shop.begin("P-X", "plate", "P-X", "A. Example", {"kind": "plate"})
        assert names(path, plate="P-X") == ["P-X"]
        assert names(path, plate="P-X", kind="plate") == ["P-X"]


# --- damage -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_flipped_bits_are_found_and_it_is_made_anew(path: Path, seed: int) -> None:
    facts = facts_beside(path)
    before = content(facts)
    flip(facts, random.Random(seed))
    up(path)
    assert content(facts) == before


@pytest.mark.parametrize("seed", range(12, 24))
def test_what_a_disk_loses_without_a_trace_is_found_too(path: Path, seed: int) -> None:
    """The file's time and size are as its writer left them: it is small enough to be looked at."""
    facts, stat = facts_beside(path), facts_beside(path).stat()
    before = content(facts)
    flip(facts, random.Random(seed))
    os.utime(facts, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert verify.sealed(facts)
    wanted = names(path, verdict="good")
    assert content(facts) == before
    facts.unlink()
    assert names(path, verdict="good") == wanted


def test_rows_of_a_large_file_are_doubted_one_by_one(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verify, "ALWAYS_BYTES", 0)
    facts = facts_beside(path)
    before = content(facts)
    for asked in ({}, {"lot": "L-999"}, {"verdict": "good"}):
        db = Database(facts, FACTS, read_only=False)
        db.execute("UPDATE made SET facts = replace(facts, '\"good\"', '\"hood\"')")
        db.execute("UPDATE tags SET value = 'L-999' WHERE kind = 'lot'")
        db.close()
        verify.seal(facts)
        with pytest.raises(StoreUnusable, match="platelink index --anew"):
            names(path, **asked)
        assert names(path, verdict="good"), "the next to ask has it made anew"
        assert content(facts) == before


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM tags WHERE rowid IN (SELECT 1) OR value = 'good'",
        "UPDATE stretches SET longest_s = longest_s + 0.001",
        "DELETE FROM spans WHERE quantity = 'oven'",
        "DELETE FROM texts WHERE rowid = (SELECT max(rowid) FROM texts)",
        "DELETE FROM made WHERE number = (SELECT max(number) FROM made)",
        "DELETE FROM steps WHERE place = 2",
        "UPDATE steps SET curve = NULL",
        "UPDATE days SET good = good + 1",
        "UPDATE cursor SET number = number - 1",
        "UPDATE cursor SET lamps = '[]'",
    ],
)
def test_a_row_that_is_lost_or_other_is_found(path: Path, sql: str) -> None:
    facts = facts_beside(path)
    before = content(facts)
    db = Database(facts, FACTS, read_only=False)
    db.execute(sql.replace("rowid IN (SELECT 1) OR ", ""))
    db.close()
    assert up(path).anew
    assert content(facts) == before


def flip(file: Path, draw: random.Random) -> None:
    data = bytearray(file.read_bytes())
    for _ in range(draw.choice((1, 3, 40))):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    file.write_bytes(data)


@pytest.mark.parametrize("cut", [0, 1, 99, 5000])
def test_a_file_that_is_cut_is_made_anew(path: Path, cut: int) -> None:
    facts = facts_beside(path)
    before = content(facts)
    facts.write_bytes(facts.read_bytes()[:cut])
    assert names(path)
    assert content(facts) == before


def test_a_file_of_another_kind_is_left_alone(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "precious"
    other.write_bytes(b"not a database, and dear to somebody" * 10)
    with JournalReader.open(path) as journal, pytest.raises(StoreUnusable):
        bring_up(journal, other)
    assert other.read_bytes().startswith(b"not a database")


@pytest.mark.parametrize(
    ("where", "left"),
    [
        ("kind = 'start' AND run_id = 'P-000003'", False),
        ("kind = 'end' AND run_id = 'P-000003'", True),
        ("kind = 'samples' AND run_id = 'P-000003-film'", True),
    ],
)
def test_a_run_that_cannot_be_read_is_told_and_keeps_no_other_away(
    path: Path, where: str, left: bool
) -> None:
    count = len(names(path))
    journal = Database(path, JOURNAL, read_only=False)
    journal.execute("DROP TRIGGER entries_no_update")
    journal.execute(f"UPDATE entries SET body = '{{' WHERE {where}")
    journal.close()
    up(path, anew=True)
    with asking(path) as facts:
        answer = facts.pieces(Asked())
        assert answer.unread == 1
        assert len(answer.made) >= count - (not left)
        assert ("P-000003" in {one.name for one in answer.made if one.kind == "plate"}) is left
        ((why,),) = facts.db.rows("SELECT why FROM unread")
    assert "entry" in why and "doctor --repair" in why


# --- the journal is another ---------------------------------------------------------------


def test_facts_newer_than_the_journal_are_noticed(path: Path, tmp_path: Path) -> None:
    """A backup put back by hand: the same journal as it was before."""
    older = tmp_path / "older.sqlite"
    made_at(older, 4)
    for name in ("older.sqlite", "older.sqlite-wal"):
        source = older.with_name(name)
        target = path.with_name(name.replace("older", path.stem))
        target.unlink(missing_ok=True)
        if source.exists():
            shutil.copy(source, target)
    assert "and the journal ends at" in up(path).anew
    assert len(names(path)) == 5
    with journal_at(path) as journal:
        Shop(journal, T0, seed=3).exposure("other", "film", None, "A. Example")
    assert names(path, kind="expose")[0] == "other"


def test_other_entries_under_the_same_numbers_are_noticed(path: Path, tmp_path: Path) -> None:
    """A backup that grew past what the facts know."""
    made_at(tmp_path / "a" / "journal.sqlite" if (tmp_path / "a").mkdir() is None else path, 8, 2)
    facts = facts_beside(path)
    target = facts_beside(tmp_path / "a" / "journal.sqlite")
    shutil.copy(facts, target)
    verify.seal(target)
    assert up(tmp_path / "a" / "journal.sqlite").anew


def test_a_journal_begun_anew_is_noticed(path: Path) -> None:
    for file in path.parent.glob("journal.sqlite*"):
        file.unlink()
    with journal_at(path, UUID.replace("1", "2")) as journal:
        Shop(journal, T0).plate()
    assert up(path).anew == "it was of another journal"
    assert names(path) == ["P-000001"]


# --- together with others -----------------------------------------------------------------


def test_while_another_process_brings_it_up_it_answers_and_says_how_far(path: Path) -> None:
    count = len(names(path))
    with journal_at(path) as journal:
        Shop(journal, T0, seed=3).exposure("later", "film", None, "A. Example")
    lock = WriterLock(facts_beside(path), FACTS)
    try:
        with asking(path) as facts:
            answer = facts.pieces(Asked())
            assert answer.behind == 5 == behind(facts.journal, facts.db)
            assert len(answer.made) == count
        facts_beside(path).unlink()
        with pytest.raises(StoreUnusable, match="does not exist"), asking(path):
            pass
    finally:
        lock.release()
    assert names(path)[0] == "later"


WRITER = """
import sys
from facts.shop import T0, journal_at
from platelink.simulated.invented import Shop
from pathlib import Path
with journal_at(Path(sys.argv[1])) as journal:
    shop = Shop(journal, T0, 4)
    shop.made = 100
    print("writes", flush=True)
    shop.plates(25)
"""
BUILDER = """
import sys
from pathlib import Path
from platelink.facts import build
from platelink.record.reader import JournalReader
build.BATCH = 5
path = Path(sys.argv[1])
with JournalReader.open(path) as journal:
    print("builds", flush=True)
    build.bring_up(journal, build.facts_beside(path), anew=len(sys.argv) > 2)
"""


def started(program: str, *arguments: str) -> subprocess.Popen[str]:
    root = Path(__file__).parent.parent.parent
    places = os.pathsep.join(map(str, (root, root / "firmware-sim", root / "tests")))
    process = subprocess.Popen(
        [sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": places},
    )  # fmt: skip
    assert process.stdout is not None and process.stdout.readline()
    return process


@pytest.mark.system
def test_a_journal_that_is_written_meanwhile_is_followed(path: Path) -> None:
    writer = started(WRITER, str(path))
    seen = [len(names_so_far(path))]
    while writer.poll() is None:
        seen.append(len(names_so_far(path)))
    assert writer.wait() == 0 and writer.stdout is not None
    writer.stdout.close()
    assert seen == sorted(seen)
    assert len(names(path)) == 9 + 25
    followed = content(facts_beside(path))
    up(path, anew=True)
    assert content(facts_beside(path)) == followed


def names_so_far(path: Path) -> list[str]:
    with asking(path) as facts:
        return [row[1] for row in facts.db.rows("SELECT number, name FROM made")]


@pytest.mark.system
def test_killed_at_any_point_it_goes_on(path: Path) -> None:
    before = content(facts_beside(path))
    draw = random.Random(1)
    for _ in range(8):
        process = started(BUILDER, str(path), "anew")
        time.sleep(draw.uniform(0.0, 0.15))
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
    up(path)
    assert content(facts_beside(path)) == before


def test_what_is_noted_and_corrected_later_is_found_as_it_stands(path: Path) -> None:
    before = names(path, lot="L-999")
    with asking(path) as facts:
        was = facts.opened("P-000003", curves=False)
        points = next(s for s in was.steps if s.get("points_um"))["points_um"]
    point = sorted(points)[0]
    corrections = {"lot": ("L-072", "L-998"), "verdict": (was.verdict, "reject"), "job": ("x", "y"),
                   f"depth {point}": (points[point], 12.5)}  # fmt: skip
    with journal_at(path) as journal:
        shop = Shop(journal, T0, seed=3)
        of: dict[str, Any] = {"of_run": was.run_id, "who": "L. Late", "why": "misread"}
        for field, (old, now) in corrections.items():
            shop.event(None, "plate corrected", field=field, was=old, now=now, **of)
        shop.event(None, "plate corrected", field="lot", was="L-998", now="L-999", **of)
        shop.event(None, "plate noted", of_run=was.run_id, who="L. Late", words="rusty gripper")
    for _ in range(2):
        assert not before and names(path, lot="L-999") == ["P-000003"]
        assert not names(path, lot="L-998") and names(path, text="rusty grip") == ["P-000003"]
        assert "P-000003" in names(path, verdict="reject", operator="L. Late", job="y")
        with asking(path) as facts:
            now = facts.opened("P-000003", curves=False)
            assert now.corrected == [f"depth {point}", "job", "lot", "verdict"]
            assert "rusty gripper" in now.notes
            measured = next(s for s in now.steps if s.get("points_um"))["points_um"]
            assert measured == points | {point: 12.5}
        up(path, anew=True)


def test_facts_of_a_release_that_knew_no_corrections_are_gone_through_again(path: Path) -> None:
    names(path)
    before, facts = content(facts_beside(path)), facts_beside(path)
    with closing(sqlite3.connect(facts)) as db, db:
        db.execute("PRAGMA user_version = 1")
        db.execute("UPDATE made SET facts = replace(facts, '\"corrected\"', '\"other\"')")
    verify.seal(facts)
    assert names(path)
    assert content(facts) == before
