"""The files of a journal that is written from two threads are looked at without false alarms."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path

import pytest

from platelink.record.schema import JOURNAL, WAL_KEPT_BYTES
from platelink.record.sentinel import MAGIC, Sentinel


def test_a_file_that_grows_during_the_look_was_not_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log is moved into the file by the other thread, just after its size was read."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(MAGIC.ljust(4096, b"\0"))
    sentinel, read = Sentinel(path), os.stat
    others = []

    def grow(*given: object, **more: object) -> os.stat_result:
        found = read(*given, **more)  # type: ignore[arg-type]
        if given[0] == str(path) and not others:
            path.write_bytes(MAGIC.ljust(8192, b"\0"))
            others.append(threading.Thread(target=sentinel.grown))
            others[0].start()
            others[0].join(0.2)
        return found

    monkeypatch.setattr(os, "stat", grow)
    assert sentinel.look() == ""
    others[0].join()
    monkeypatch.undo()
    path.write_bytes(MAGIC.ljust(4096, b"\0"))
    assert "was cut from 8192 to 4096 bytes" in sentinel.look()
    sentinel.close()


@pytest.mark.parametrize("looks", [1, 3])
def test_a_log_that_is_begun_anew_during_the_look_was_not_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, looks: int
) -> None:
    """The other thread commits just after its size was read: SQLite writes the log's head, waits
    for the disk, perhaps for some looks, and cuts it to its limit."""
    path, log = tmp_path / "journal.sqlite", tmp_path / "journal.sqlite-wal"
    database = sqlite3.connect(path, isolation_level=None)
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    for one in (database, other):
        for pragma in JOURNAL.pragmas:
            one.execute(f"PRAGMA {pragma}").fetchall()
    database.execute("CREATE TABLE t (x)")
    database.execute("INSERT INTO t VALUES (zeroblob(?))", (2 * WAL_KEPT_BYTES,))
    sentinel, read = Sentinel(path), os.stat
    assert sentinel.look() == ""
    long = log.stat().st_size
    other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    found: list[os.stat_result] = []

    def begin_anew(*given: object, **more: object) -> os.stat_result:
        if given[0] != str(log):
            return read(*given, **more)  # type: ignore[arg-type]
        if not found:
            found.append(read(log))
            other.execute("INSERT INTO t VALUES (1)")
        return found[0]

    monkeypatch.setattr(os, "stat", begin_anew)
    for _ in range(looks):
        assert sentinel.look() == ""
    monkeypatch.undo()
    assert long > 2 * WAL_KEPT_BYTES == 2 * log.stat().st_size
    assert sentinel.look() == ""
    os.truncate(log, WAL_KEPT_BYTES - 1)
    assert "was cut from" in sentinel.look()
    sentinel.close()
    database.close()
    other.close()


def test_a_log_begun_anew_by_each_of_two_connections_was_not_cut(tmp_path: Path) -> None:
    """SQLite counts how often a log began anew for each connection by itself: the same number
    comes twice."""
    path, log = tmp_path / "journal.sqlite", tmp_path / "journal.sqlite-wal"
    database = sqlite3.connect(path, isolation_level=None)
    other = sqlite3.connect(path, isolation_level=None)
    for one in (database, other):
        for pragma in JOURNAL.pragmas:
            one.execute(f"PRAGMA {pragma}").fetchall()
    database.execute("CREATE TABLE t (x)")
    sentinel = Sentinel(path)

    def begin_anew(by: sqlite3.Connection) -> bytes:
        other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        by.execute("INSERT INTO t VALUES (1)")
        return log.read_bytes()[12:16]

    assert sentinel.look() == ""
    first = begin_anew(database)
    assert sentinel.look() == ""
    database.execute("INSERT INTO t VALUES (zeroblob(?))", (2 * WAL_KEPT_BYTES,))
    assert sentinel.look() == "" and log.stat().st_size > 2 * WAL_KEPT_BYTES
    assert begin_anew(other) == first
    assert log.stat().st_size == WAL_KEPT_BYTES
    assert sentinel.look() == ""
    sentinel.close()
    database.close()
    other.close()
