"""All that is on tape, where one tape cannot be read: the others are played nevertheless."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from click.testing import CliRunner

from platelink.cli import main
from platelink.tape.files import folder_of, tapes
from replay.test_again import _crash, made


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a plate over two lives of the daemon."""
    return made(tmp_path_factory.mktemp("twice"), _crash).config.journal.path


@pytest.fixture
def journal(twice: Path, tmp_path: Path) -> Path:
    shutil.copytree(twice.parent, tmp_path / "copy")
    return tmp_path / "copy" / twice.name


def damage(journal: Path, number: int) -> None:
    """Where a tape tells what it began with."""
    path = tapes(folder_of(journal))[number].parts[0]
    data = bytearray(path.read_bytes())
    data[60] ^= 0x55
    path.write_bytes(bytes(data))


def said(journal: Path, *words: str) -> Any:
    return CliRunner().invoke(main, ["replay", "--all", *words, "--journal", str(journal)])


@pytest.mark.parametrize("words", [[], ["--since", "2030-01-01"]])
def test_the_others_are_played_and_what_is_not_is_named(journal: Path, words: list[str]) -> None:
    whole = said(journal, *words)
    assert whole.exit_code == 0 and whole.output.count("states: the same") == 2
    assert "does the same, to the bit\n" in whole.output
    damage(journal, 0)
    found = said(journal, *words)
    assert found.exit_code == 1 and ": not played\n  PROBLEM  " in found.output
    assert "is damaged" in found.output and found.output.count("states: the same") == 1
    assert "does the same, to the bit, in the 1 of 2 that can be played" in found.output
    told = json.loads(said(journal, "--json").output)
    assert told["same"] is False and [bool(one["problems"]) for one in told["tapes"]] == [
        True,
        False,
    ]


def test_nothing_is_compared_with_what_a_later_tape_recorded(journal: Path) -> None:
    damage(journal, 1)
    found = said(journal)
    assert found.exit_code == 1 and "where it ends stands on the tape after it" in found.output
    assert found.output.endswith("nothing could be played\n")
    assert "the same" not in found.output


def test_what_comes_otherwise_is_not_hidden_by_what_cannot_be_played(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    damage(journal, 0)
    monkeypatch.setattr("platelink.replay.again.Again.feed", lambda *_: 1 / 0)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    found = said(journal)
    assert "this release fails" in found.output and "does NOT do the same" in found.output


def test_a_restored_journal_is_another_one_and_says_so_instead_of_that_the_release_differs(
    journal: Path,
) -> None:
    with sqlite3.connect(journal) as database:
        guards = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'journal'"
        for (name,) in database.execute(guards).fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute("UPDATE journal SET uuid = ?", (str(uuid4()),))
    found = said(journal)
    assert found.exit_code == 1 and "a restored one has an id of its own" in found.output
    assert found.output.endswith("nothing could be played\n") and "does NOT" not in found.output


def test_a_copy_without_its_tapes_says_that_they_are_copied_by_hand(journal: Path) -> None:
    shutil.rmtree(folder_of(journal))
    found = said(journal)
    assert found.exit_code == 1
    assert "tapes are in no backup: copy the unit's folder journal.tapes to there" in found.output
