"""The recorder's journal: taken once, in order, with rising times, until confirmed."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from publish import publish_samples as ps

from platelink.publish.holdings import split_id
from platelink.publish.intake import Accepted, Rejected
from platelink.publish.recorder_journal import (
    Counts,
    RecorderJournal,
    RecorderJournalError,
)
from platelink.publish.topics import Topics, parse
from platelink.publish.upload import Row
from platelink.runs import AnyEntry

TOPICS = Topics(ps.SITE, ps.UNIT)
V1 = Path(__file__).parent / "data" / "recorder_v1.sql"
NOW = ps.AT_MS + 1000


def taken(entry: AnyEntry) -> Accepted:
    topic = TOPICS.of(entry)
    address = parse(topic)
    assert address is not None
    return Accepted(topic, entry.model_dump_json().encode(), address, entry)


@pytest.fixture
def journal(tmp_path):
    journal = RecorderJournal(tmp_path / "recorder.db")
    yield journal
    journal.close()


def put(journal: RecorderJournal, *entries: AnyEntry, utc_ms: int = NOW) -> list[Row]:
    return journal.commit([taken(e) for e in entries], utc_ms=utc_ms)


def lines(journal: RecorderJournal, rows: list[Row] | None = None) -> list[str]:
    text = journal.lines_of(journal.rows() if rows is None else rows)
    return text.split("\n") if text else []


def dead_letters(journal: RecorderJournal) -> list[tuple]:
    """Read as anybody may look into a journal that is in use: stage, topic, payload, reason."""
    with closing(sqlite3.connect(f"{journal.path.as_uri()}?mode=ro", uri=True)) as db:
        query = "SELECT stage, topic, payload, reason FROM dead_letter ORDER BY number"
        return db.execute(query).fetchall()


def times(journal: RecorderJournal) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for text in lines(journal):
        head, _, at = text.rsplit(" ", 2)
        found.setdefault(head, []).append(int(at))
    return found


def test_a_run_becomes_rows_and_survives_closing(tmp_path):
    journal = RecorderJournal(tmp_path / "recorder.db")
    rows = put(journal, *ps.whole_run(3, 20))
    assert [row.lines for row in rows] == [1, 1, 20, 20, 20, 1, 1]  # channels have no line
    before = lines(journal)
    journal.close()
    again = RecorderJournal(tmp_path / "recorder.db")
    assert again.rows() == rows and lines(again) == before
    again.close()


def test_an_entry_that_comes_twice_is_taken_once(journal):
    put(journal, *ps.whole_run(2, 20))
    before = journal.rows()
    assert put(journal, *ps.whole_run(2, 20)) == []
    assert journal.rows() == before
    assert journal.counts().duplicates == 7


def test_duplicates_are_known_after_the_rows_are_confirmed(journal):
    journal.confirm(put(journal, *ps.whole_run(2, 20)))
    assert put(journal, *ps.whole_run(2, 20)) == [] and journal.rows() == []
    assert journal.counts().confirmed_lines == 44


def test_two_events_in_one_millisecond_keep_apart(journal):
    put(journal, ps.start(), *(ps.event(n, "gap") for n in (2, 3, 4)))
    (series,) = (s for s in times(journal) if s.startswith("platelink_event"))
    assert times(journal)[series] == [ps.AT_MS, ps.AT_MS + 1, ps.AT_MS + 2]
    assert journal.counts().moved_times == 2


def test_clock_stepped_back_moves_times_to_the_next_free_millisecond(journal):
    back = ps.AT - timedelta(seconds=30)
    put(journal, ps.start(), ps.samples(2, 0, 5), ps.samples(3, 5, 5, at=back))
    (series,) = (s for s in times(journal) if s.startswith("platelink,"))
    last = ps.AT_MS + 200
    assert times(journal)[series][5:] == [last + i for i in range(1, 6)]


def test_block_that_comes_late_keeps_its_own_times(journal):
    put(journal, ps.start(), ps.samples(3, 5, 5))
    put(journal, ps.samples(2, 0, 5))
    (series,) = (s for s in times(journal) if s.startswith("platelink,"))
    assert sorted(times(journal)[series]) == [ps.AT_MS + 50 * i for i in range(10)]
    put(journal, ps.samples(4, 10, 5))
    assert sorted(times(journal)[series]) == [ps.AT_MS + 50 * i for i in range(15)]


def test_samples_wait_for_the_start_that_tells_their_step(journal):
    assert put(journal, ps.samples(3, 0, 5), ps.samples(4, 5, 5)) == []
    assert journal.counts().waiting == 2
    rows = put(journal, ps.start(step="screen"))
    assert [row.lines for row in rows] == [1, 5, 5]
    assert all("step=screen" in text for text in lines(journal))
    assert journal.counts().waiting == 0


def test_start_that_never_comes_is_given_up_and_counted(journal):
    put(journal, ps.samples(3, 0, 5), utc_ms=NOW)
    assert journal.release_waiting(before_ms=NOW, utc_ms=NOW) == []
    (row,) = journal.release_waiting(before_ms=NOW + 1, utc_ms=NOW)
    assert row.lines == 5 and journal.counts().unknown_steps == 1
    put(journal, ps.start(step="film"), ps.samples(4, 5, 5))
    samples = [text for text in lines(journal) if text.startswith("platelink,")]
    assert len(samples) == 10 and all("step=unknown" in text for text in samples)


def test_rejected_messages_are_kept_with_their_reason(journal):
    journal.commit([Rejected("topic/x", b"\xff" * 100_000, "not an entry")], utc_ms=NOW)
    letter = ("received", "topic/x", b"\xff" * 65_536, "not an entry")
    assert dead_letters(journal) == [letter]
    assert journal.counts().dead_letters == 1 and journal.rows() == []


def test_refused_row_is_set_aside_whole(journal):
    rows = put(journal, ps.start(), ps.samples(2, 0, 5))
    text = journal.lines_of(rows[1:])
    journal.set_aside(rows[1], "store answered 400", utc_ms=NOW)
    assert journal.rows() == rows[:1]
    assert dead_letters(journal) == [("upload", "", text.encode(), "store answered 400")]


def test_memory_of_old_ids_is_dropped_and_the_file_stays_small(journal, tmp_path):
    for first in range(2, 400):
        put(journal, ps.samples(first, 20 * first, 20))
    put(journal, ps.start())
    journal._db.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    full = (tmp_path / "recorder.db").stat().st_size
    assert full > 500_000
    journal.confirm(journal.rows())
    journal.forget_before(NOW + 1)
    journal._db.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    assert (tmp_path / "recorder.db").stat().st_size < full / 4
    assert journal._db.rows("SELECT first, last FROM held") == [(1, 399)]


def test_two_recorders_on_one_journal_are_refused(journal, tmp_path):
    with pytest.raises(RecorderJournalError, match="in use: end the other recorder"):
        RecorderJournal(tmp_path / "recorder.db")


def test_journal_of_a_newer_program_is_refused(tmp_path):
    RecorderJournal(tmp_path / "recorder.db").close()
    db = sqlite3.connect(tmp_path / "recorder.db")
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(RecorderJournalError, match="format is 99"):
        RecorderJournal(tmp_path / "recorder.db")


def test_a_journal_of_version_1_goes_on(tmp_path):
    path = tmp_path / "recorder.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(V1.read_text())
    journal = RecorderJournal(path)
    assert [row.number for row in journal.rows()] == [4, 5, 6]
    before = Counts(received=9, dead_letters=1, confirmed_lines=5, rows=3, waiting=1)
    assert journal.counts() == before
    assert put(journal, *ps.whole_run(2, 3)) == []  # known from before
    assert journal.counts().duplicates == 7
    (row,) = put(journal, ps.samples(100, 6, 5))
    assert "step=film" in journal.lines_of([row])
    journal.close()
    RecorderJournal(tmp_path / "new.db").close()
    assert schema_of(path) == schema_of(tmp_path / "new.db")


def schema_of(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()


def test_full_disk_takes_nothing_of_the_batch(journal):
    put(journal, ps.start())
    pages = journal._db.rows("PRAGMA page_count")[0][0]
    journal._db.rows(f"PRAGMA max_page_count = {pages}")  # SQLite's own full disk
    with pytest.raises(RecorderJournalError, match="full; check free space"):
        put(journal, *(ps.samples(n, 100 * n, 100) for n in range(2, 60)))
    assert [row.lines for row in journal.rows()] == [1]
    journal._db.rows("PRAGMA max_page_count = 100000")
    assert len(put(journal, *(ps.samples(n, 100 * n, 100) for n in range(2, 60)))) == 58


def test_ids_are_parted_into_journal_and_number():
    assert split_id("abc-def-17") == ("abc-def", 17)
    assert split_id("lonely") == ("lonely", 0)
    assert split_id("x-12y") == ("x-12y", 0)
    assert split_id("-5") == ("-5", 0)


@settings(max_examples=60, deadline=None)
@given(losses=st.lists(st.tuples(st.integers(1, 11), st.integers(0, 4)), max_size=8))
def test_no_delivery_repeats_loses_or_moves_a_point(losses, tmp_path_factory):
    """At-least-once delivery: after a loss, sending begins again somewhere before it. The memory
    of ids and times is gone, as when the duplicates come a week later."""
    run = ps.whole_run(6, 8)
    sent: list[AnyEntry] = []
    place = 0
    for count, back in losses:
        sent += run[place : place + count]
        place = max(0, min(place + count, len(run)) - back)
    sent += run[place:]
    journal = RecorderJournal(tmp_path_factory.mktemp("j") / "recorder.db")
    try:
        put(journal, *run)
        expected = lines(journal)
        journal.confirm(journal.rows())
        journal._db.execute("DELETE FROM held")
        journal._db.execute("DELETE FROM series")
        journal._db.execute("DELETE FROM run")
        for cut in range(0, len(sent), 5):
            put(journal, *sent[cut : cut + 5])
        assert lines(journal) == expected
    finally:
        journal.close()
