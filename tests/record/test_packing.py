"""Samples of closed runs become one chunk, exact to the bit, whatever happens meanwhile."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing, contextmanager

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as some

from platelink.codec import encode
from platelink.doctor.repair import repair
from platelink.evidence.seal import manifest_of
from platelink.evidence.sources import JournalRecords
from platelink.record import chunk
from platelink.record.errors import JournalDamaged, JournalRefused
from platelink.record.packing import _AT_ONCE, Packer
from platelink.record.reader import JournalReader
from platelink.runs import SampleBlock
from record.make import block, channels, drop_packing, event, journal_at, later, start

BLOCKS, ROWS = 3 * _AT_ONCE + 5, 20


def write(journal, run_id, blocks=BLOCKS):
    journal.append(start(journal, run_id))
    journal.append(channels(journal, run_id))
    for index in range(blocks):
        journal.append_samples(run_id, block(ROWS, first=ROWS * index), later(index))
        if index % 5 == 0:
            journal.append(event(journal, run_id))


def closed(journal, run_id, blocks=BLOCKS):
    write(journal, run_id, blocks)
    journal.end_run(run_id, later(blocks), "complete", "dose reached")


def told(path):
    """All that others get of a journal: published entries, samples, what is sealed."""
    with JournalReader.open(path) as reader:
        entries = [row.entry for row in reader.outbox_after(0, 10_000)]
        records = JournalRecords(reader)
        runs = [run_id for (run_id,) in reader.rows("SELECT run_id FROM ends")]
        sealed = [manifest_of(records.record("exposure", run_id).files) for run_id in runs]
        samples = [encode(reader.samples(run_id), 0) for run_id in runs]
    return entries, sealed, samples


def lie(path):
    """How many blocks of each run lie by themselves, and which runs are packed."""
    with closing(sqlite3.connect(path)) as raw:
        blocks = raw.execute(
            "SELECT run_id, count(*) FROM blocks JOIN entries USING (number) GROUP BY 1"
        ).fetchall()
        return blocks, [run_id for (run_id,) in raw.execute("SELECT run_id FROM chunks")]


def test_nobody_can_tell_that_a_run_is_packed_but_by_its_size(tmp_path):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1")
        journal.append(start(journal, "bare"))
        journal.end_run("bare", later(0), "stopped", "nothing fell")
        closed(journal, "r2", 1)
        write(journal, "open", 3)
        before = told(path)
        packer = Packer(journal.beside)
        assert [packer.step() for _ in range(4)] == [True, True, False, False]
        assert told(path) == before
        assert lie(path) == ([("open", 3)], ["r1", "r2"])
        journal.append_samples("open", block(ROWS, first=3 * ROWS), later(3))
        journal.end_run("open", later(4), "complete", "dose reached")
        assert packer.step() is True
        assert packer.step() is False
    with journal_at(path) as journal:
        assert Packer(journal.beside).step() is False
        assert [entry.id for entry in told(path)[0][: len(before[0])]] == [
            entry.id for entry in before[0]
        ]


class Killed(BaseException):
    pass


class Dying:
    """A connection whose process is killed before its nth statement that writes."""

    def __init__(self, journal, left):
        self._journal, self.left = journal, left

    @contextmanager
    def beside(self):
        with self._journal.beside() as database:
            yield _Dying(database, self)


class _Dying:
    def __init__(self, database, of):
        self._database, self._of = database, of

    def __getattr__(self, name):
        return getattr(self._database, name)

    def _one(self):
        self._of.left -= 1
        if self._of.left < 0:
            raise Killed

    def execute(self, sql, values=()):
        self._one()
        self._database.execute(sql, values)

    def execute_each(self, sql, values):
        for one in values:
            self._one()
            self._database.execute(sql, one)


def test_a_kill_before_any_statement_loses_nothing_and_the_next_start_goes_on(tmp_path):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1")
    before, whole = told(path), path.read_bytes()
    statements = BLOCKS + 1
    kinds = set()
    for at in [0, 1, 2, _AT_ONCE + 1, _AT_ONCE + 2, BLOCKS, statements]:
        for helper in ("-wal", "-shm"):
            path.with_name(path.name + helper).unlink(missing_ok=True)
        path.write_bytes(whole)
        with journal_at(path) as journal:
            if at < statements:
                with pytest.raises(Killed):
                    Packer(Dying(journal, at).beside).step()
            else:
                assert Packer(Dying(journal, at).beside).step()
        assert told(path) == before, at
        kinds.add(str(lie(path)))
        with journal_at(path) as journal:
            packer = Packer(journal.beside)
            while packer.step():
                pass
        assert told(path) == before, at
        assert lie(path) == ([], ["r1"])
    assert len(kinds) == 5  # it was killed in the midst of it


def test_it_ends_when_light_begins_and_goes_on_another_time(tmp_path):
    path = tmp_path / "journal.sqlite"
    looks = []

    def look():
        looks.append(1)
        if len(looks) == 3:
            raise InterruptedError

    with journal_at(path) as journal:
        closed(journal, "r1", 4)
        packer = Packer(journal.beside, look)
        with pytest.raises(InterruptedError):
            packer.step()
        assert lie(path) == ([("r1", 4)], [])
        assert packer.step()
        assert lie(path) == ([], ["r1"])


def test_a_journal_that_takes_the_place_of_another_is_left_alone(tmp_path):
    with journal_at(tmp_path / "one.sqlite") as one, journal_at(tmp_path / "two.sqlite") as two:
        closed(one, "r1", 4)
        two.reader.uuid = "another"
        with two.beside() as database:
            database.execute("DROP TRIGGER journal_no_update")
            database.execute("UPDATE journal SET uuid = 'another'")
        places = iter([one.beside, two.beside])
        with pytest.raises(JournalRefused, match="taken its place"):
            Packer(lambda: next(places)()).step()  # noqa: PLW0108 -- the next one each time
        assert lie(tmp_path / "one.sqlite") == ([("r1", 4)], [])


def test_a_chunk_that_has_other_samples_takes_no_block_away(tmp_path):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1", 4)
        before = told(path)
        with journal.beside() as database:
            other = chunk.pack(block(4 * ROWS, first=1))
            database.execute("INSERT INTO chunks (run_id, body) VALUES ('r1', ?)", (other,))
        packer = Packer(journal.beside)
        assert [packer.step(), packer.step()] == [True, False]
    assert lie(path) == ([("r1", 4)], ["r1"])
    assert told(path) == before


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM blocks",  # of a run that is open
        "UPDATE blocks SET body = x'00'",
        "INSERT OR REPLACE INTO blocks SELECT number, x'00' FROM blocks",
        "INSERT INTO blocks SELECT min(number), x'00' FROM entries WHERE kind = 'samples'",
        "UPDATE entries SET body = '0+19' WHERE kind = 'samples'",
        "UPDATE chunks SET body = x'00'",
        "DELETE FROM chunks",
        "INSERT OR REPLACE INTO chunks (run_id, body) VALUES ('r1', x'00')",
    ],
)
def test_nothing_else_can_be_changed(tmp_path, statement):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1", 4)
        write(journal, "open", 3)
        Packer(journal.beside).step()
    with (
        closing(sqlite3.connect(path)) as raw,
        pytest.raises(sqlite3.IntegrityError, match=r"append-only|packed|is there"),
    ):
        raw.execute("PRAGMA recursive_triggers = ON")
        raw.execute(statement)


def test_a_journal_of_before_is_brought_up_and_goes_on(tmp_path):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1", 6)
    before = told(path)
    with closing(sqlite3.connect(path)) as raw:  # as the release before left it
        drop_packing(raw)
        raw.execute("PRAGMA user_version = 4")
        raw.commit()
    assert told(path) == before  # read only, by whoever comes first
    with journal_at(path) as journal:
        assert not Packer(journal.beside).step()  # what is there stays where it is
        closed(journal, "r2", 6)
        assert Packer(journal.beside).step()
    entries, sealed, samples = told(path)
    assert (entries[: len(before[0])], sealed[:1], samples[:1]) == before
    assert samples[1] == samples[0]
    assert lie(path) == ([], ["r2"])


# --- damage ------------------------------------------------------------------------------------


def packed(path):
    with journal_at(path) as journal:
        closed(journal, "r1", 6)
        Packer(journal.beside).step()


def damaged(path, *statements, drop=True):
    with closing(sqlite3.connect(path)) as raw:
        triggers = raw.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name IN "
            "('entries', 'blocks', 'chunks') AND name NOT LIKE 'facts%'"
        ).fetchall()
        for name, _ in triggers:
            raw.execute(f"DROP TRIGGER {name}")
        for (statement,) in statements:
            raw.execute(statement)
        for _, sql in () if drop else triggers:
            raw.execute(sql)
        raw.commit()


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM chunks",
        "UPDATE chunks SET body = x'00'",
        "UPDATE chunks SET body = CAST(substr(body, 1, 200) AS BLOB)",
        "UPDATE entries SET body = '0+99999' WHERE kind = 'samples'",
        "UPDATE entries SET body = '20+20' WHERE kind = 'samples'",
        "UPDATE entries SET body = '-1+20' WHERE kind = 'samples'",
        "UPDATE entries SET body = '0+0' WHERE kind = 'samples'",
        "UPDATE entries SET body = ' 0+20' WHERE kind = 'samples'",
    ],
)
def test_damage_is_told_and_repaired_as_far_as_it_goes(tmp_path, statement):
    path = tmp_path / "journal.sqlite"
    packed(path)
    damaged(path, (statement,))
    with JournalReader.open(path) as reader, pytest.raises(JournalDamaged):
        reader.samples("r1")
    made = repair(path).target
    with JournalReader.open(made) as reader:
        assert reader.run("r1").end.state == "complete"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET body = '0+21' WHERE number = 3",
        "UPDATE entries SET body = x'00' WHERE number = 3",
        "UPDATE blocks SET body = x'00' WHERE number = 3",
        "DELETE FROM blocks WHERE number = 3",
    ],
)
def test_damage_before_a_run_is_packed_is_told_to_all(tmp_path, statement):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        write(journal, "r1", 3)
    damaged(path, (statement,))
    with JournalReader.open(path) as reader:
        for read in (lambda: reader.samples("r1"), lambda: reader.outbox_after(0, 100)):
            with pytest.raises(JournalDamaged, match=r"entry 3 cannot|samples of run r1 cannot"):
                read()


def test_no_bit_of_a_chunk_is_free():
    good = chunk.pack(block(200))
    rng = random.Random(5)
    for _ in range(300):
        bit = rng.randrange(8 * len(good))
        bent = bytearray(good)
        bent[bit // 8] ^= 1 << bit % 8
        try:
            found = chunk.unpack(bytes(bent))
        except ValueError:
            continue
        assert chunk.same(found, block(200)), bit  # what LZMA itself does not look at


def test_what_cannot_be_read_is_left_as_it_is_and_the_next_one_packed(tmp_path):
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        closed(journal, "r1", 4)
        closed(journal, "r2", 4)
    damaged(path, ("UPDATE blocks SET body = x'0102' WHERE number = 5",), drop=False)
    with journal_at(path) as journal:
        packer = Packer(journal.beside)
        assert [packer.step() for _ in range(4)] == [True, True, False, False]
    assert lie(path) == ([("r1", 4)], ["r2"])


# --- the bytes ---------------------------------------------------------------------------------


@given(st.data(), st.integers(1, 60))
def test_every_bit_comes_back(data, n):
    ticks = np.cumsum(data.draw(some.arrays(np.int64, n, elements=st.integers(1, 2**40))))
    words = some.arrays(np.uint64, n)
    floats = some.arrays(np.float64, n, elements=st.floats(allow_nan=True, width=64))
    found = SampleBlock(
        ticks=ticks, at_utc_ms=data.draw(some.arrays(np.int64, n)),
        raw={"light_sum_0": data.draw(words), "ä": data.draw(words)},
        values={"dose_mj_cm2": data.draw(floats)},
    )  # fmt: skip
    again = chunk.unpack(chunk.pack(found))
    assert chunk.same(found, again)
    assert list(again.raw) == ["light_sum_0", "ä"]
