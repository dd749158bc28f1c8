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

from platelink.publish import recorder_journal
from platelink.publish.holdings import split_id
from platelink.publish.intake import Accepted, Rejected
from platelink.publish.recorder_journal import Counts, RecorderJournal
from platelink.publish.recorder_schema import RecorderJournalError
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


def test_samples_carry_the_slot_of_their_run_also_in_a_new_process(journal):
    """Runs of one slot are one series; the events of all runs too, and none of them vanishes."""
    for first, run, slot in ((10, "r1", 0), (20, "r2", 3), (30, "r3", None)):
        put(journal, ps.start(first, run, slot=slot), ps.event(first + 1, run=run))
    journal.close()
    journal.__init__(journal.path)
    put(journal, *(ps.samples(50 + n, 0, 5, run=f"r{n}") for n in (1, 2, 3)))
    found = {series for series in times(journal) if series.startswith("platelink,")}
    of = f"platelink,site={ps.SITE},unit={ps.UNIT}"
    assert found == {f"{of},slot=0,step=film", f"{of},slot=3,step=film", f"{of},run=r3,step=film"}
    events = f"platelink_event,site={ps.SITE},unit={ps.UNIT},step=film,name=light_on"
    assert times(journal)[events] == [ps.AT_MS, ps.AT_MS + 1]


def test_a_journal_begun_anew_counts_from_one_and_its_times_keep_apart(journal):
    put(journal, ps.event(500, run=None))
    anew = [ps.event(n, run=None).model_copy(update={"id": f"other-{n}"}) for n in (1, 2)]
    put(journal, *(e.model_copy(update={"at_utc": ps.AT + timedelta(seconds=1)}) for e in anew))
    (series,) = times(journal)
    assert times(journal)[series] == [ps.AT_MS, ps.AT_MS + 1000, ps.AT_MS + 1001]


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
        journal.close()
        journal = RecorderJournal(journal.path)
        for cut in range(0, len(sent), 5):
            put(journal, *sent[cut : cut + 5])
        assert lines(journal) == expected
    finally:
        journal.close()


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_memory_says_what_the_file_would(data, tmp_path_factory):
    """The same deliveries, in any order and more than once: a recorder that runs on, and one that
    is started anew for every batch."""
    entries = [*ps.whole_run(4, 5), *ps.whole_run(3, 4, first=40, run="r2")]
    places = st.lists(st.integers(0, len(entries) - 1), max_size=25)
    batches = data.draw(st.lists(places.map(lambda at: [entries[i] for i in at]), max_size=6))
    directory = tmp_path_factory.mktemp("j")
    with closing(RecorderJournal(directory / "on.db")) as runs_on:
        for batch in batches:
            put(runs_on, *batch)
        kept = lines(runs_on), runs_on.counts(), runs_on.holdings.of(ps.SITE, ps.UNIT)
    for batch in batches:
        with closing(RecorderJournal(directory / "anew.db")) as anew:
            put(anew, *batch)
    with closing(RecorderJournal(directory / "anew.db")) as anew:
        assert (lines(anew), anew.counts(), anew.holdings.of(ps.SITE, ps.UNIT)) == kept


def test_what_the_file_does_not_take_goes_aside_alone(journal, monkeypatch):
    """A line that SQLite refuses: the others of its batch are taken."""
    put(journal, ps.start())
    whole = recorder_journal.points_of

    def broken(entry, address, run, **more):
        points = whole(entry, address, run, **more)
        return points._replace(fields=["x=\ud800"]) if entry.kind == "event" else points

    monkeypatch.setattr(recorder_journal, "points_of", broken)
    rows = put(journal, ps.samples(3, 0, 5), ps.event(4), ps.samples(5, 5, 5))
    counts = journal.counts()
    assert (counts.received, counts.dead_letters, [row.lines for row in rows]) == (4, 1, [5, 5])
    assert not journal.holdings.holds(ps.SITE, ps.UNIT, ps.entry_id(4))


def test_a_fault_of_the_journal_while_each_is_taken_takes_none(journal, monkeypatch):
    """Else rows would be in the file that nobody sends before the next start."""
    put(journal, ps.start())
    whole = recorder_journal.points_of

    def broken(entry, address, run, **more):
        if entry.kind == "event":
            raise ValueError("odd")
        return whole(entry, address, run, **more)

    bury = RecorderJournal._bury

    def full(self, *given):
        raise RecorderJournalError("no space left")

    monkeypatch.setattr(recorder_journal, "points_of", broken)
    monkeypatch.setattr(RecorderJournal, "_bury", full)
    batch = [ps.samples(3, 0, 5), ps.event(4), ps.samples(5, 5, 5)]
    with pytest.raises(RecorderJournalError, match="no space left"):
        put(journal, *batch)
    assert [row.lines for row in journal.rows()] == [1]
    monkeypatch.setattr(RecorderJournal, "_bury", bury)
    assert [row.lines for row in put(journal, *batch)] == [5, 5]
    assert [row.lines for row in journal.rows()] == [1, 5, 5]
