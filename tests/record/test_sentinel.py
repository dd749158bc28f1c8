"""The files of a journal that is written from two threads are looked at without false alarms."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

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
