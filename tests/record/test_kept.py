"""Kept state: overwritten, in step with the entries, and no part of the record."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_disks import fill

from platelink.record.errors import JournalFull, JournalRefused
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.snapshots import Snapshot
from platelink.record.writer import RETRY_S, JournalWriter
from record.make import T0, block, channels, drop_facts, event, journal_at, later, start
from record.test_full_disk import CappedJournal, small_disk

__all__ = ["small_disk"]  # a fixture


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with journal_at(tmp_path / "journal.db") as opened:
        yield opened


@pytest.fixture
def capped(tmp_path: Path) -> Iterator[CappedJournal]:
    path = tmp_path / "journal.db"
    with CappedJournal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=1 << 16) as opened:
        yield opened


def values(journal: Journal | JournalReader) -> dict[str, object]:
    reader = journal.reader if isinstance(journal, Journal) else journal
    return {name: snapshots.value for name, snapshots in reader.snapshots().items()}


def test_kept_state_comes_back_and_is_no_entry(journal: Journal) -> None:
    journal.keep({"plate P-1": {"step": 2, "left": [1.5, None]}, "order": 7}, later(1))
    journal.keep({"order": 8, "never there": None}, later(2))
    assert journal.reader.snapshots() == {
        "order": Snapshot(later(2), 8),
        "plate P-1": Snapshot(later(1), {"step": 2, "left": [1.5, None]}),
    }
    journal.keep({"plate P-1": None}, later(3))
    journal.keep({}, later(4))
    assert values(journal) == {"order": 8}
    assert journal.reader.last_number() == 0 and journal.reader.outbox_after(0, 10) == []
    with JournalReader.open(journal.reader.path) as reader:
        assert reader.snapshots() == journal.reader.snapshots()


@pytest.mark.parametrize("bad", [float("nan"), {"a": object()}, {1, 2}])
def test_what_is_no_json_is_refused(journal: Journal, bad: object) -> None:
    journal.keep({"a": 1}, T0)
    with pytest.raises(JournalRefused, match="state 'b' cannot be kept: "):
        journal.keep({"a": 2, "b": bad}, T0)  # type: ignore[dict-item]
    with pytest.raises(JournalRefused, match="state 'b' cannot be kept: "):
        JournalWriter(journal).keep({"a": 2, "b": bad}, at_utc=T0, now=0.0)  # type: ignore[dict-item]
    assert values(journal) == {"a": 1}


def test_an_older_file_has_none_until_it_is_written_to(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        journal.append(event(journal, None))
    with closing(sqlite3.connect(path)) as db:
        drop_facts(db)
        db.execute("DROP TABLE kept")
        db.execute("PRAGMA user_version = 2")
    with JournalReader.open(path) as reader:
        assert reader.snapshots() == {}
        with journal_at(path) as journal:
            journal.keep({"a": 1}, T0)
            assert values(reader) == {"a": 1}


def test_together_is_one_commit(journal: Journal) -> None:
    seen = []
    with JournalReader.open(journal.reader.path) as reader:
        journal.together([
            lambda: journal.append(start(journal)),
            lambda: journal.append(channels(journal)),
            lambda: journal.append_samples("r1", block(), T0),
            lambda: seen.append((reader.last_number(), reader.snapshots())),
            lambda: journal.append(event(journal)),
            lambda: journal.keep({"a": 1}, T0),
            lambda: journal.end_run("r1", T0, "complete", "done"),
        ])  # fmt: skip
        assert seen == [(0, {})]
        assert (reader.last_number(), values(reader)) == (5, {"a": 1})


def test_together_refused_leaves_nothing(journal: Journal) -> None:
    journal.append(start(journal, "r0"))
    journal.append_samples("r0", block(), T0)
    before = journal.next_id()
    with pytest.raises(JournalRefused, match="never began"):
        journal.together([
            lambda: journal.append(start(journal, "r1")),
            lambda: journal.append_samples("r0", block(20, first=20), T0),
            lambda: journal.keep({"a": 1}, T0),
            lambda: journal.end_run("r0", T0, "complete", "done"),
            lambda: journal.append(event(journal, "r9")),
        ])  # fmt: skip
    assert journal.next_id() == before and values(journal) == {}
    assert [(r.start.run_id, r.samples) for r in journal.reader.open_runs()] == [("r0", 20)]
    journal.append_samples("r0", block(20, first=20), T0)  # the same again: nothing was counted
    journal.append(start(journal, "r1"))
    assert journal.end_run("r0", T0, "complete", "done").samples == 40
    assert journal.reader.faults() == []


def test_together_on_a_full_disk_uses_what_was_set_aside(capped: CappedJournal) -> None:
    capped.append(start(capped))
    capped.cap(2)
    number = capped.reader.last_number()

    def many() -> None:
        for _ in range(200):
            capped.append(event(capped, text="longer " * 20))

    with pytest.raises(JournalFull):
        capped.together([many, lambda: capped.keep({"a": 1}, T0)])
    assert capped.reader.last_number() == number and values(capped) == {}
    ballast = capped.reader.path.with_name("journal.db.ballast")
    assert ballast.stat().st_size == (1 << 16) // 8  # it was tried with it too
    capped.cap(100)
    capped.together([many, lambda: capped.keep({"a": 1}, T0)])
    assert capped.reader.last_number() == number + 200 and values(capped) == {"a": 1}


def test_what_was_set_aside_lets_all_of_it_in_once(
    capped: CappedJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    capped.append(start(capped))
    capped.cap(2)

    def release() -> bool:
        capped.cap(100)
        if capped._db._connection.in_transaction:  # a real full disk rolls it back by itself
            capped._db.execute("ROLLBACK")
        return True

    monkeypatch.setattr(capped._ballast, "release", release)
    long = "longer than a page " * 300
    capped.together([
        lambda: capped.append(event(capped, name="first", text=long)),
        lambda: capped.append(event(capped, name="second", text=long)),
        lambda: capped.keep({"a": 2}, T0),
    ])  # fmt: skip
    assert [e.name for e in capped.reader.events("r1")] == ["first", "second"]
    assert capped.reader.last_number() == 3 and values(capped) == {"a": 2}


def test_a_real_full_disk(small_disk: Path) -> None:
    """While a run is open its state and events use the space set aside, then wait."""
    ballast = small_disk / "journal.db.ballast"
    with journal_at(small_disk / "journal.db", ballast_bytes=256 << 10) as journal:
        writer = JournalWriter(journal)
        writer.append(start(writer), now=0.0)
        filler = fill(small_disk)
        given = 0
        while not writer.status().pending:
            given += 1
            with writer.together(now=float(given)):
                writer.append(event(writer, text="longer " * 200), now=float(given))
                writer.keep({"events": given}, at_utc=T0, now=float(given))
            assert given < 2000
        assert given > 5 and ballast.stat().st_size == 32 << 10  # the space set aside was used
        for _ in range(5):
            given += 1
            writer.append(event(writer), now=float(given))
            writer.keep({"events": given}, at_utc=T0, now=float(given))
        with JournalReader.open(journal.reader.path) as reader:
            on_disk = len(reader.events("r1"))
            assert on_disk < given and values(reader) == {"events": on_disk}
        filler.unlink()
        writer.retry(now=given + RETRY_S)
        assert len(journal.reader.events("r1")) == given and values(journal) == {"events": given}
        assert journal.reader.faults() == []


def test_writer_holds_the_newest_of_each_name_behind_its_entries(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    writer.append(start(writer), now=0.0)
    writer.keep({"step": -1}, at_utc=T0, now=0.0)
    capped.cap(0)
    state = {"n": 0}
    for n in range(50):
        writer.append(event(writer, name=f"event {n}", text="longer " * 30), now=1.0)
        state["n"] = n
        writer.keep({"step": state, f"only {n % 2}": n}, at_utc=later(n), now=1.0)
        assert _behind(capped)
    waiting = writer.status().pending
    assert 1 < waiting <= 51  # entries, and one state
    state["n"] = -5  # what was given stays as it was given
    capped.cap(100)
    assert writer.retry(now=1.0 + RETRY_S) == waiting
    assert capped.reader.snapshots() == {
        "step": Snapshot(later(49), {"n": 49}),
        "only 0": Snapshot(later(48), 48),
        "only 1": Snapshot(later(49), 49),
    }
    assert writer.status().pending == 0


def _behind(journal: Journal) -> bool:
    """The state on disk tells of no event that is not on disk."""
    step = values(journal)["step"]
    told = step["n"] if isinstance(step, dict) else -1
    return told < len(journal.reader.events("r1"))


def test_writer_together_waits_as_a_whole(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    with writer.together(now=0.0):
        writer.append(start(writer), now=0.0)
        writer.append(channels(writer), now=0.0)
        writer.keep({"a": 0}, at_utc=T0, now=0.0)
        assert capped.reader.last_number() == 0
        assert writer.next_id() == capped.reader.id_of(3)
    assert capped.reader.last_number() == 2 and values(capped) == {"a": 0}
    capped.cap(0)
    fill = {"text": "longer " * 300}
    for n in (1, 2):
        with writer.together(now=float(n)):
            writer.append(event(writer, name=f"first {n}", **fill), now=float(n))
            writer.append(event(writer, name=f"second {n}", **fill), now=float(n))
            writer.keep({"a": n}, at_utc=later(n), now=float(n))
    assert capped.reader.last_number() == 2 and values(capped) == {"a": 0}
    assert writer.status().pending == 6 and writer.next_id() == capped.reader.id_of(7)
    capped.cap(100)
    writer.retry(now=9.0)
    names = [e.name for e in capped.reader.events("r1")]
    assert names == ["first 1", "second 1", "first 2", "second 2"]
    assert capped.reader.snapshots() == {"a": Snapshot(later(2), 2)}


def test_an_error_in_the_block_gives_nothing(journal: Journal) -> None:
    writer = JournalWriter(journal)

    def half() -> None:
        with writer.together(now=0.0):
            writer.append(event(writer, None), now=0.0)
            raise KeyError("invented")

    with pytest.raises(KeyError):
        half()
    assert journal.reader.last_number() == 0
    with writer.together(now=0.0), pytest.raises(RuntimeError), writer.together(now=0.0):
        pass
    writer.append(event(writer, None), now=0.0)
    assert journal.reader.last_number() == 1


def test_only_what_is_refused_is_left_out(journal: Journal) -> None:
    writer = JournalWriter(journal)
    writer.append(start(writer), now=0.0)

    def group() -> None:
        with writer.together(now=1.0):
            writer.append(event(writer, "r1", name="before"), now=1.0)
            writer.append(event(writer, "never begun"), now=1.0)
            writer.append(event(writer, "r1", name="after"), now=1.0)
            writer.keep({"a": 1}, at_utc=T0, now=1.0)

    with pytest.raises(JournalRefused, match="never began"):
        group()
    assert [e.name for e in journal.reader.events("r1")] == ["before", "after"]
    assert values(journal) == {"a": 1}
    assert writer.status().pending == 0 and writer.status().refused == 1


def test_state_left_by_a_refused_entry_does_not_overtake(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    writer.append(start(writer), now=0.0)
    writer.keep({"a": 0}, at_utc=T0, now=0.0)
    capped.cap(0)
    long = "longer than a page " * 300
    writer.append(event(writer, text=long), now=1.0)
    with writer.together(now=1.0):
        writer.append(event(writer, "never begun"), now=1.0)
        writer.keep({"a": 20 * long, "b": 1}, at_utc=later(1), now=1.0)
    with writer.together(now=1.0):
        writer.append(event(writer, text=long), now=1.0)
        writer.keep({"a": 2}, at_utc=later(2), now=1.0)
    capped.cap(2)  # room for the first event: the group is found out, and its state waits alone
    writer.retry(now=2.0)
    assert (writer.status().pending, writer.status().refused) == (3, 1)
    writer.keep({"c": 3}, at_utc=later(3), now=2.0)
    capped.cap(1000)
    writer.retry(now=3.0)
    assert values(capped) == {"a": 2, "b": 1, "c": 3}


def test_a_refused_start_takes_its_group_with_it(journal: Journal) -> None:
    writer = JournalWriter(journal)
    writer.append(start(writer), now=0.0)

    def again() -> None:
        with writer.together(now=1.0):
            writer.append(start(writer), now=1.0)
            writer.keep({"a": 1}, at_utc=T0, now=1.0)

    with pytest.raises(JournalRefused, match="has begun already"):
        again()
    assert journal.reader.last_number() == 1 and values(journal) == {}


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("keep"), st.sets(st.sampled_from("abc"), min_size=1)),
        st.tuples(st.just("event"), st.just(frozenset())),
        st.tuples(st.just("group"), st.sets(st.sampled_from("abc"), min_size=1)),
        st.tuples(st.sampled_from(["bad group", "full", "room"]), st.sets(st.just("a"))),
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_state_never_runs_ahead_of_the_entries(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, set[str]]]
) -> None:
    """Each state holds how many events had been given before it, and the newest one wins."""
    path = tmp_path_factory.mktemp("kept") / "journal.db"
    with CappedJournal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
        writer, given_events, model, now = JournalWriter(journal), 0, {}, 0.0

        def one(kind: str, names: set[str]) -> None:
            nonlocal given_events
            if kind in ("event", "group", "bad group"):
                writer.append(event(writer, None, text="longer than a page " * 300), now=now)
                given_events += 1
            if kind == "bad group":
                writer.append(event(writer, "never begun"), now=now)
            if names and kind != "event":
                writer.keep(dict.fromkeys(names, given_events), at_utc=T0, now=now)
                model.update(dict.fromkeys(names, given_events))

        for kind, names in steps:
            now += 1.0
            if kind in ("full", "room"):
                journal.cap(0 if kind == "full" else 1000)
            elif kind in ("group", "bad group"):
                try:
                    with writer.together(now=now):
                        one(kind, names)
                except JournalRefused:
                    assert kind == "bad group"
            else:
                one(kind, names)
            on_disk = values(journal)
            assert all(n <= journal.reader.last_number() for n in on_disk.values())  # type: ignore[operator]
        journal.cap(1000)
        writer.retry(now=now + 1.0)
        assert writer.status().pending == 0
        assert (journal.reader.last_number(), values(journal)) == (given_events, model)
