"""The thread that packs closed runs: while no light is on, and not on its way out."""

from __future__ import annotations

import threading
import time

import pytest
from record.make import block, journal_at, later, start

from platelink.daemon import packing
from platelink.daemon.packing import Packing

pytestmark = pytest.mark.timeout(300)


def test_a_closed_run_is_packed_once_no_light_is_on(tmp_path, monkeypatch):
    monkeypatch.setattr(packing, "ROUND_S", 0.01)
    looked, quiet = threading.Event(), threading.Event()

    def is_quiet():
        looked.set()
        return quiet.is_set()

    with journal_at(tmp_path / "journal.sqlite") as journal:
        journal.append(start(journal, "r1"))
        journal.append_samples("r1", block(20), later(1))
        journal.end_run("r1", later(2), "complete", "dose reached")
        thread = Packing(journal, quiet=is_quiet)
        thread.start()
        assert looked.wait(120)
        assert journal.reader.rows("SELECT count(*) FROM blocks") == [(1,)]
        quiet.set()
        end = time.monotonic() + 120
        while journal.reader.rows("SELECT count(*) FROM blocks") != [(0,)]:
            assert time.monotonic() < end
            time.sleep(0.05)
        thread.stop()
        assert journal.reader.rows("SELECT run_id FROM chunks") == [("r1",)]


def test_what_has_not_begun_ends_at_once(tmp_path):
    with journal_at(tmp_path / "journal.sqlite") as journal:
        Packing(journal, quiet=lambda: True).stop()


def test_free_memory_is_given_back_while_no_light_is_on(tmp_path, monkeypatch):
    monkeypatch.setattr(packing, "ROUND_S", 0.01)
    given, quiet = threading.Event(), threading.Event()

    def give_back():
        assert quiet.is_set()
        given.set()

    monkeypatch.setattr(packing, "give_back", give_back)
    rounds = threading.Semaphore(0)

    def is_quiet():
        rounds.release()
        return quiet.is_set()

    with journal_at(tmp_path / "journal.sqlite") as journal:
        thread = Packing(journal, quiet=is_quiet)
        thread.start()
        for _ in range(2 * packing.GIVE_BACK):
            assert rounds.acquire(timeout=120)
        assert not given.is_set()
        quiet.set()
        assert given.wait(120)
        thread.stop()
