"""The journal keeps what it was given, in order, and refuses what contradicts it."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from platelink.record.errors import JournalReadOnly, JournalRefused
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import RunEnd, RunSamples
from record.make import (
    T0,
    UNIT,
    UUID,
    block,
    channels,
    common,
    event,
    journal_at,
    later,
    same,
    start,
)


@pytest.fixture
def journal(tmp_path: Path):
    with journal_at(tmp_path / "journal.db") as opened:
        yield opened


def begin(journal: Journal, run_id: str = "r1", **fields: object) -> None:
    journal.append(start(journal, run_id, **fields))
    journal.append(channels(journal, run_id))


def test_a_run_comes_back_as_given(journal: Journal) -> None:
    given = [
        start(
            journal,
            plate="P-7",
            operator="A",
            target_dose_mj_cm2=340.0,
            conditions={"light": {"tick_s": 1e-3}, "notes": [None, True, "°C"]},
        )
    ]
    journal.append(given[0])
    given.append(channels(journal))
    journal.append(given[1])
    given.append(event(journal, name="lamp on", ticks=2**40, data={"a": [1, 2.5, None]}))
    journal.append(given[2])
    journal.append_samples("r1", block(20), later(2))
    journal.append_samples("r1", block(15, first=20), later(3))
    end = journal.end_run("r1", later(4), "complete", "dose reached", dose_mj_cm2=340.1, gaps=2)

    run = journal.reader.run("r1")
    assert run is not None
    assert (run.start, run.channels, run.end) == (given[0], given[1], end)
    assert (end.samples, end.events) == (35, 1)
    assert journal.reader.events("r1") == [given[2]]
    assert same(journal.reader.samples("r1"), block(35))
    assert journal.reader.open_runs() == []


def test_ids_count_the_entries_of_the_journal(journal: Journal) -> None:
    assert journal.next_id() == f"{UUID}-1"
    begin(journal)
    journal.append_samples("r1", block(), later(1))
    assert journal.next_id() == f"{UUID}-4"
    assert journal.reader.number_of(f"{UUID}-4") == 4
    for other in ("", "4", "x-4", f"{UUID}-", f"{UUID}-x"):
        with pytest.raises(ValueError, match="is not an entry"):
            journal.reader.number_of(other)


def test_times_are_kept_to_the_millisecond(journal: Journal) -> None:
    at = datetime(1969, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    journal.append(event(journal, None, at=at))
    assert journal.reader.unit_events()[0].at_utc == at.replace(microsecond=999_000)


def test_what_contradicts_the_record_is_refused(journal: Journal) -> None:
    with pytest.raises(JournalRefused, match="run r1 never began"):
        journal.append(event(journal))
    with pytest.raises(JournalRefused, match="never began"):
        journal.append_samples("r1", block(), T0)
    begin(journal)
    with pytest.raises(JournalRefused, match="has begun already"):
        journal.append(start(journal))
    with pytest.raises(JournalRefused, match="described already"):
        journal.append(channels(journal))
    with pytest.raises(JournalRefused, match=f"the next one is {UUID}-3"):
        journal.append(event(journal).model_copy(update={"id": f"{UUID}-4"}))
    with pytest.raises(JournalRefused, match="of unit 'other'"):
        journal.append(event(journal).model_copy(update={"unit": "other"}))
    journal.append_samples("r1", block(5), T0)
    with pytest.raises(JournalRefused, match="begin at tick 1200, not after the last"):
        journal.append_samples("r1", block(5, first=4), T0)
    other_columns = block(5, first=5)
    del other_columns.raw["light_count_0"]
    with pytest.raises(JournalRefused, match="have columns"):
        journal.append_samples("r1", other_columns, T0)
    miscounted = RunEnd(
        **common(journal), run_id="r1", state="complete", reason="", samples=6, events=0
    )
    with pytest.raises(JournalRefused, match="6 samples and 0 events, stored are 5 and 0"):
        journal.append(miscounted)
    journal.append(miscounted.model_copy(update={"samples": 5}))
    for late in (
        lambda: journal.append(event(journal)),
        lambda: journal.append_samples("r1", block(5, first=5), T0),
        lambda: journal.end_run("r1", T0, "stopped", "again"),
    ):
        with pytest.raises(JournalRefused, match="run r1 has ended"):
            late()
    assert journal.reader.last_number() == 4
    assert journal.reader.faults() == []


def test_refusals_hold_after_opening_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        begin(journal)
        journal.append(event(journal))
        journal.append_samples("r1", block(5), T0)
    with journal_at(path) as journal:
        with pytest.raises(JournalRefused, match="not after the last stored one"):
            journal.append_samples("r1", block(5), T0)
        with pytest.raises(JournalRefused, match="described already"):
            journal.append(channels(journal))
        journal.append_samples("r1", block(5, first=5), T0)
        end = journal.end_run("r1", T0, "stopped", "operator")
        assert (end.samples, end.events) == (10, 1)
        assert same(journal.reader.samples("r1"), block(10))


def test_an_empty_block_writes_nothing(journal: Journal) -> None:
    begin(journal)
    journal.append_samples("r1", block(0), T0)
    assert journal.reader.last_number() == 2


def test_open_runs_know_their_first_and_last_sample(journal: Journal) -> None:
    begin(journal, "r1")
    begin(journal, "r2")
    journal.append_samples("r2", block(20), T0)
    journal.append_samples("r2", block(7, first=20), T0)
    journal.append(event(journal, "r2"))
    empty, filled = journal.reader.open_runs()
    assert (empty.start.run_id, empty.samples, empty.first, empty.last) == ("r1", 0, None, None)
    assert (filled.start.run_id, filled.samples, filled.events) == ("r2", 27, 1)
    assert filled.first is not None and filled.first.ticks.tolist() == [1000]
    assert filled.last is not None and same(filled.last, block(1, first=26))


def test_outbox_is_the_log_in_order(journal: Journal) -> None:
    journal.append(event(journal, None, name="unit ready"))
    begin(journal)
    journal.append_samples("r1", block(10), later(1))
    journal.end_run("r1", later(2), "complete", "dose reached")

    rows = journal.reader.outbox_after(0, 100)
    assert [r.number for r in rows] == [1, 2, 3, 4, 5]
    assert [r.entry.kind for r in rows] == ["event", "start", "channels", "samples", "end"]
    assert [r.entry.id for r in rows] == [f"{UUID}-{n}" for n in range(1, 6)]
    assert all(r.entry.unit == UNIT for r in rows)
    samples = rows[3].entry
    assert isinstance(samples, RunSamples)
    stored = block(10)
    assert samples.first_sample == 0
    assert samples.ticks == tuple(stored.ticks.tolist())
    assert samples.at_utc_ms == tuple(stored.at_utc_ms.tolist())
    assert list(samples.values) == ["irradiance_mw_cm2", "vacuum_kpa"]
    assert samples.values["irradiance_mw_cm2"] == tuple(stored.values["irradiance_mw_cm2"].tolist())
    assert [v is None for v in samples.values["vacuum_kpa"]] == [i % 5 == 4 for i in range(10)]
    assert RunSamples.model_validate_json(samples.model_dump_json()) == samples

    paged = [journal.reader.outbox_after(after, 2) for after in (0, 2, 4, 5)]
    assert [r for page in paged for r in page] == rows


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        begin(journal)
        with JournalReader.open(path, unit=UNIT) as reader:
            writing = [name for name in vars(Journal) if not name.startswith("_")]
            shared = {name for name in writing if hasattr(reader, name)}
            assert "append" in writing and shared == {"open", "close"}
            for write in ("DELETE FROM kept", "INSERT INTO journal VALUES (2, '', '')"):
                with pytest.raises(JournalReadOnly, match="cannot be written"):
                    reader._db.execute(write)
            assert reader.last_number() == 2


def test_missing_numbers_are_counted(journal: Journal) -> None:
    begin(journal)
    assert journal.reader.missing_numbers(1, 2) == 0
    assert journal.reader.missing_numbers(1, 5) == 3


def test_write_ahead_log_stays_bounded(tmp_path: Path) -> None:
    limit = 400_000
    path = tmp_path / "journal.db"
    wal = path.with_name("journal.db-wal")
    with journal_at(path) as journal:
        begin(journal)
        sizes, moved = [], 0
        for second in range(300):
            journal.append_samples("r1", block(20, first=20 * second), later(second))
            journal.append(event(journal))
            moved += journal.checkpoint(wal_limit_bytes=limit).moved_pages
            sizes.append(wal.stat().st_size)
        # One second of entries beyond the limit, and what SQLite keeps of the file (1 MiB).
        assert max(sizes) < (1 << 20) + limit
        assert moved > 0
        written = journal.checkpoint(quiet=True)
        assert written.left_pages == 0
        assert same(journal.reader.samples("r1"), block(6000))
        assert journal.reader.faults() == []


def test_without_a_checkpoint_the_log_only_grows(tmp_path: Path) -> None:
    # The writer itself never moves the log: it would have to wait for the disk.
    path = tmp_path / "journal.db"
    wal = path.with_name("journal.db-wal")
    with journal_at(path) as journal:
        before = wal.stat().st_size
        for _ in range(1500):
            journal.append(event(journal, None))
        assert wal.stat().st_size > before + 1500 * 4096
        file_size = path.stat().st_size
        assert journal.checkpoint().moved_pages == 0
        assert path.stat().st_size == file_size
        assert journal.checkpoint(quiet=True).left_pages == 0
        assert path.stat().st_size > file_size
