"""How every file is written: what each writing connection waits for, and each call that syncs."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from people.make import opened
from record.make import channels, journal_at, start

from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.recorder_journal import RecorderJournal
from platelink.recipe.store import RecipeStore

NORMAL, FULL, EXTRA = 1, 2, 3


@pytest.mark.parametrize(
    ("open_file", "mode", "waits_for"),
    [
        (journal_at, "wal", [NORMAL, NORMAL]),  # the writer, and who syncs
        (RecorderJournal, "wal", [FULL]),
        (RecipeStore.open, "delete", [EXTRA]),
        (opened, "delete", [EXTRA]),
    ],
    ids=["journal", "recorder", "recipes", "people"],
)
def test_every_writing_connection_waits_for_the_disk(
    open_file: Callable[[Path], Any],
    mode: str,
    waits_for: list[int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def watched(*arguments: Any, **options: Any) -> sqlite3.Connection:
        made.append(connect(*arguments, **options))
        return made[-1]

    monkeypatch.setattr(sqlite3, "connect", watched)
    file = open_file(tmp_path / "file.db")
    try:

        def read(name: str) -> list[Any]:
            return [one.execute(f"PRAGMA {name}").fetchone()[0] for one in made]

        assert read("synchronous") == waits_for
        assert set(read("journal_mode")) == {mode}
        assert set(read("foreign_keys")) == {1}
    finally:
        file.close()


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files that are synced, and of what is put in another's place, in order."""
    seen: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def synced(fd: int) -> None:
        seen.append("sync " + Path(os.readlink(f"/proc/self/fd/{fd}")).name)
        fsync(fd)

    def replaced(self: Path, target: Path) -> Path:
        seen.append(f"{self.name} becomes {target.name}")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    return seen


def test_a_checkpoint_syncs_the_log_each_time(tmp_path: Path, steps: list[str]) -> None:
    with journal_at(tmp_path / "journal.db") as journal:
        journal.append(start(journal))
        journal.checkpoint()
        assert steps == ["sync journal.db-wal"]
        journal.append(channels(journal))
        assert steps == ["sync journal.db-wal"]  # whoever appends waits for no disk
        journal.checkpoint()
        assert steps == ["sync journal.db-wal"] * 2


def test_a_cursor_is_synced_before_it_has_its_name_and_its_name_after(
    tmp_path: Path, steps: list[str]
) -> None:
    CursorFile(tmp_path / "cursor.json").save(CursorState(1, "j-1", 1))
    assert steps == [
        "sync cursor.json.new",
        "cursor.json.new becomes cursor.json",
        f"sync {tmp_path.name}",
    ]
