"""Samples are removed by the rule alone, told and sealed before, and nothing else is."""

from __future__ import annotations

import functools
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from evidence.test_commands import Unit
from evidence.test_sealer import Bench
from record.make import block

from platelink.daemon.journaling import Journaling
from platelink.daemon.retaining import Retaining, Rule
from platelink.doctor.backup import backup, restore
from platelink.doctor.repair import repair
from platelink.evidence import retention
from platelink.evidence.keys import Signer
from platelink.evidence.log import SealLog
from platelink.evidence.removed import seal_holds
from platelink.evidence.retention import CREDIT_DAYS, ages_days
from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.lines import RunTags, points_of
from platelink.publish.topics import parse
from platelink.record.backed_up import BackedUp, backed_up_path, last_backup, note_backup
from platelink.record.errors import JournalRefused
from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.reader import JournalReader
from platelink.record.removed import remove
from platelink.record.writer import JournalWriter
from platelink.runs import RunSamples, RunStart
from platelink.unit.stamp import Stamp

pytestmark = pytest.mark.timeout(600)
UNIT = "invented-unit"
DAY_1 = datetime(2030, 1, 1, 8, tzinfo=UTC)
NOW = datetime(2031, 1, 1, 8, tzinfo=UTC)


def make(journal, run_id, at_utc, rows=40):
    common = {"unit": UNIT, "at_utc": at_utc}
    journal.append(RunStart(id=journal.next_id(), run_id=run_id, step="film", **common))
    for first in range(0, rows, 20):
        journal.append_samples(run_id, block(20, first=first), at_utc)
    journal.end_run(run_id, at_utc + timedelta(seconds=30), "complete", "dose reached")


@functools.cache
def packed(days, *, sealed):
    """A journal of one exposure a day, each packed, and its log of seals."""
    path = Path(tempfile.mkdtemp(prefix="platelink-retention-")) / "journal.sqlite"
    with Journal.open(path, unit=UNIT, new_uuid="0123456789abcdef", ballast_bytes=4096) as journal:
        for day in range(days):
            make(journal, f"run-{day:03d}", DAY_1 + timedelta(days=day))
        packer = Packer(journal.beside)
        while packer.step():
            pass
    if sealed:
        Bench(path.parent).seal()
    return path.parent


class Shop(Unit):
    """A unit that made one exposure a day, with what its daemon does by threads done by hand."""

    def __init__(self, folder, days=100, *, keep=90, sealed=True):
        for path in packed(days, sealed=sealed).iterdir():
            shutil.copy2(path, folder)
        super().__init__(folder)
        self.keep = keep
        self.bench = Bench(folder)
        self.utc = NOW
        self.open()

    def open(self):
        """Start the daemon (again)."""
        self.journal = Journal.open(self.places.journal, unit=UNIT, new_uuid="f" * 16)
        self.journaling = Journaling(JournalWriter(self.journal), UNIT)
        self.retaining = Retaining(
            self.journal, Rule(self.keep, self.places.log, False), quiet=lambda: True
        )
        packer = Packer(self.journal.beside)
        while packer.step():
            pass

    def close(self):
        self.journal.close()

    def backup(self, name="kept"):
        return backup(self.config, self.folder / name, recorder=False, at_utc=NOW)

    def round(self, *, seal=True):
        """One of each thread's."""
        more = self.retaining.round()
        at = Stamp(0.0, round(self.utc.timestamp() * 1000))
        self.journaling.write(self.retaining.due(at=at), now=0.0)
        if seal:
            self.seal()
        return more

    def settle(self, rounds=300):
        for _ in range(rounds):
            if not self.round():
                return
        raise AssertionError("it never ends")

    def gone(self):
        with closing(sqlite3.connect(self.places.journal)) as raw:
            return [run for (run,) in raw.execute("SELECT run_id FROM removed ORDER BY 1")]

    def chunks(self):
        with closing(sqlite3.connect(self.places.journal)) as raw:
            return [run for (run,) in raw.execute("SELECT run_id FROM chunks ORDER BY 1")]


@pytest.fixture
def few(monkeypatch):
    """The floor of runs is lower, so that a test need not write two hundred."""
    monkeypatch.setattr(retention, "NEWEST_KEPT", 5)


@pytest.fixture
def shop(tmp_path, few):
    found = Shop(tmp_path)
    yield found
    found.close()


def test_samples_of_old_runs_go_and_everything_else_stays(shop, tmp_path):
    shop.says("bundle", "run-003", "--to", tmp_path / "before")
    key = shop.says("seal", "key").strip()
    with JournalReader.open(shop.places.journal) as reader:
        before = [reader.run(f"run-{i:03d}") for i in range(100)]
    shop.backup()
    shop.settle()
    old = [f"run-{day:03d}" for day in range(10)]  # 90 days and more before the newest
    assert shop.gone() == old
    assert shop.chunks() == [f"run-{day:03d}" for day in range(10, 100)]
    with JournalReader.open(shop.places.journal) as reader:
        for one in before:
            now = reader.run(one.start.run_id)
            assert (now.start, now.end, now.channels) == (one.start, one.end, one.channels)
        assert not len(reader.samples("run-003")) and len(reader.samples("run-010")) == 40
        assert reader.faults() == []
    said = shop.says("verify", "--journal")
    told = "samples removed on 2031-01-01 by the retention of 90 days"
    assert f"notice   exposure run-003: {told}; the seal of what was removed stands" in said
    assert "each is what was sealed" in said and "CHANGED" not in said
    assert f"under key {key}" in shop.says("verify", "--bundle", tmp_path / "before")
    checked = shop.says("check", "run-003", code=1)
    assert f"run run-003: cannot be recomputed: {told}" in checked
    assert "40 samples, 0 events, 0 missing" in checked
    assert "confirmed" not in checked
    shown = shop.says("show", "run-003")
    assert "SAMPLES\n  samples removed on 2031-01-01" in shown and "no samples to plot" not in shown
    assert "the retention of 90 days" in shop.says(
        "bundle", "run-003", "--to", tmp_path / "b", code=1
    )
    assert "the retention of 90 days" in shop.says("export", "run-003", code=1)
    assert shop.says("export", "run-003", "--format", "json")
    shop.says("report", "run-003", "-o", tmp_path / "r.html")
    assert "the retention of 90 days" in (tmp_path / "r.html").read_text("utf-8")
    events = json.loads(shop.says("show", "run-003", "--json"))
    assert events["samples_removed"] == told


def test_nobody_says_that_a_seal_holds_of_a_record_that_was_changed(shop, tmp_path):
    shop.backup()
    shop.settle()
    shop.bench.tamper(
        "UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
        "WHERE run_id = 'run-003' AND kind = 'start'"
    )
    for words, code in (
        (("verify", "run-003"), 1), (("show", "run-003"), 0), (("check", "run-003"), 1),
        (("export", "run-003"), 1), (("export", "run-003", "--format", "json"), 0),
        (("bundle", "run-003", "--to", tmp_path / "b"), 1),
    ):  # fmt: skip
        said = shop.says(*words, code=code)
        assert "seal of what was removed" not in said, words
        assert "by the retention of 90 days" in said or words[0] == "bundle"
    assert "notice   exposure run-003: samples removed" in shop.says("verify", "run-003", code=1)


def _seal_holds(shop, run_id):
    with JournalReader.open(shop.places.journal) as reader:
        return seal_holds(reader, reader.run(run_id))


def test_that_the_seal_holds_is_compared_before_it_is_said(shop):
    shop.backup()
    shop.settle()
    assert _seal_holds(shop, "run-003")
    assert not _seal_holds(shop, "run-050")  # nothing of it was removed
    shop.bench.tamper(
        "UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
        "WHERE run_id = 'run-003' AND kind = 'start'"
    )
    assert not _seal_holds(shop, "run-003") and _seal_holds(shop, "run-004")
    log = shop.places.log.read_bytes()
    shop.places.log.unlink()
    assert not _seal_holds(shop, "run-004")
    shop.places.log.write_bytes(log[:5000])
    assert not _seal_holds(shop, "run-004")


@pytest.mark.skipif(not shutil.which("pdftotext"), reason="apt-get install poppler-utils")
def test_the_report_says_it_in_place_of_the_curves(shop, tmp_path):
    shop.says("report", "run-003", "-o", tmp_path / "with.html")
    with_curves = (tmp_path / "with.html").read_text("utf-8")
    assert with_curves.count("<svg") > 1 and "samples removed" not in with_curves
    shop.backup()
    shop.settle()
    for form in ("html", "pdf"):
        shop.says("report", "run-003", "-o", tmp_path / f"r.{form}")
    told = (
        "samples removed on 2031-01-01 by the retention of 90 days; the seal of what was removed "
        "stands"
    )
    page = (tmp_path / "r.html").read_text("utf-8")
    assert told in page and page.count("<svg") == 1  # the code alone
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "r.pdf", "-"], capture_output=True, check=True
    ).stdout.decode()
    assert told in " ".join(text.split())
    # Where it does not stand there is no report that could say so.
    shop.bench.tamper(
        "UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
        "WHERE run_id = 'run-003' AND kind = 'start'"
    )
    said = shop.says("report", "run-003", "-o", tmp_path / "n.html", code=1)
    assert "run-003 is not what was sealed" in said and not (tmp_path / "n.html").exists()


def test_check_of_all_neither_confirms_nor_accuses_what_was_removed(shop):
    shop.backup()
    shop.settle()
    told = json.loads(shop.says("check", "--all", "--json", code=1))  # invented samples
    assert told["samples_removed"] == [f"run-{day:03d}" for day in range(9, -1, -1)]
    assert told["checked"] == 90
    assert "10 cannot be recomputed" in shop.says("check", "--all", code=1)


@pytest.mark.parametrize("without", ["a backup", "a seal", "a rule", "a newer journal's backup"])
def test_nothing_goes_without(tmp_path, few, without):
    shop = Shop(tmp_path, keep=None if without == "a rule" else 90, sealed=without != "a seal")
    if without == "a seal":  # a log there is, in which nothing is sealed
        with SealLog.open(shop.places.log) as log:
            log.begin(Signer.of_seed("platelink/a/b/00000000", bytes(32)), UNIT)
    if without != "a backup":
        shop.backup()
    if without == "a newer journal's backup":
        made = last_backup(shop.places.journal)
        note_backup(shop.places.journal, BackedUp("e" * 16, made.number, made.made_utc, "/x"))
    for _ in range(5):
        shop.round(seal=without != "a seal")
    assert shop.gone() == [] and len(shop.chunks()) == 100
    fault = {"a seal": "it is not sealed", "a rule": ""}.get(without, "no backup has them")
    assert fault in shop.retaining.fault
    shop.close()


def test_what_is_not_what_was_sealed_is_kept_and_accused(shop):
    shop.backup()
    shop.bench.tamper(
        "UPDATE entries SET body = json_set(body, '$.reason', 'invented') "
        "WHERE run_id = 'run-000' AND kind = 'end'"
    )
    shop.settle()
    assert shop.gone() == [f"run-{day:03d}" for day in range(1, 10)]
    assert 'end, reason was "dose reached", is "invented"' in shop.says(
        "verify", "--journal", code=1
    )


def test_a_clock_a_year_ahead_removes_nothing(tmp_path, few):
    shop = Shop(tmp_path, 20)
    make(shop.journal, "later", DAY_1 + timedelta(days=20 + 365))
    for day in range(10):
        make(shop.journal, f"later-{day}", DAY_1 + timedelta(days=21 + 365 + day))
    shop.open_after = Packer(shop.journal.beside)
    while shop.open_after.step():
        pass
    shop.utc = NOW + timedelta(days=1000)
    shop.seal()
    shop.backup()
    shop.settle()
    assert shop.gone() == []
    shop.close()


def test_age_is_told_by_the_order_of_the_journal():
    day = 86_400_000
    steady = [day * i for i in range(10)]
    assert ages_days(steady).tolist() == [9, 8, 7, 6, 5, 4, 3, 2, 1, 0]
    jumped = [0, day, 365 * day, 366 * day]
    assert ages_days(jumped).tolist() == [1 + CREDIT_DAYS + 1, CREDIT_DAYS + 1, 1, 0]
    back = [0, 365 * day, day, 2 * day, 366 * day]  # set ahead, and back a day later
    assert ages_days(back).tolist() == [CREDIT_DAYS + 1, 1, 1, 1, 0]
    many = np.tile([0, 365 * day], 50)  # set again and again
    assert ages_days(many.tolist())[0] == CREDIT_DAYS


def test_a_rule_below_the_floor_is_the_floor_and_the_newest_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(retention, "NEWEST_KEPT", 95)
    shop = Shop(tmp_path, keep=1)
    shop.backup()
    shop.settle()
    assert shop.gone() == [f"run-{day:03d}" for day in range(5)]
    shop.close()
    monkeypatch.setattr(retention, "NEWEST_KEPT", 5)
    shop.open()
    shop.settle()
    assert shop.gone() == [f"run-{day:03d}" for day in range(10)]
    shop.close()


def test_what_is_not_published_yet_is_kept(shop):
    shop.backup()
    shop.retaining = Retaining(shop.journal, Rule(90, shop.places.log, True), quiet=lambda: True)
    CursorFile(shop.places.journal.with_suffix(".cursor")).save(CursorState(12, "", 0))
    shop.settle()
    assert "they are not published yet" in shop.retaining.fault
    assert shop.gone() == ["run-000", "run-001", "run-002"]  # of four entries each


def test_nothing_goes_before_its_event_is_sealed_and_a_crash_in_between_is_made_good(shop):
    shop.backup()
    assert shop.round(seal=False)  # told, not sealed
    for _ in range(5):
        assert shop.round(seal=False)
    assert shop.gone() == []
    with JournalReader.open(shop.places.journal) as reader:
        assert len(reader.samples("run-000")) == 40
    shop.close()  # killed here
    shop.keep = None  # even where the rule was taken back: it stands in the record
    shop.open()
    shop.seal()
    shop.settle()
    assert shop.gone() == ["run-000"]
    assert shop.says("verify", "--journal")


def test_told_but_changed_since_it_is_kept(shop):
    shop.backup()
    shop.round()
    shop.bench.tamper(
        "UPDATE entries SET body = json_set(body, '$.reason', 'invented') "
        "WHERE run_id = 'run-000' AND kind = 'end'"
    )
    shop.round()
    assert shop.gone() == [] and "run-000" in shop.chunks()


def test_killed_within_the_removal_all_of_a_record_is_there_or_none(shop):
    shop.backup()
    shop.round()
    with JournalReader.open(shop.places.journal) as reader:
        number = reader.last_number()
    code = f"""
import os, signal
from platelink.ledger.database import Database
from platelink.record.journal import Journal
from platelink.record.removed import remove
real = Database.execute
def execute(self, sql, values=()):
    if sql.startswith("DELETE FROM chunks"):
        os.kill(os.getpid(), signal.SIGKILL)
    real(self, sql, values)
Database.execute = execute
journal = Journal.open({str(shop.places.journal)!r}, unit={UNIT!r}, new_uuid="f" * 16)
remove(journal.beside, "0123456789abcdef", {number}, ["run-000"])
"""
    shop.close()
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    killed = subprocess.run([sys.executable, "-c", code], check=False, env=environment)
    assert killed.returncode == -signal.SIGKILL
    assert shop.gone() == [] and "run-000" in shop.chunks()
    shop.open()
    shop.settle()
    assert shop.gone()[0] == "run-000"
    assert shop.says("verify", "--journal")


def test_the_file_lets_no_samples_go_that_no_entry_tells_of(shop):
    with closing(sqlite3.connect(shop.places.journal)) as raw:
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            raw.execute("DELETE FROM chunks WHERE run_id = 'run-000'")
        with pytest.raises(sqlite3.IntegrityError, match="no entry tells of it"):
            raw.execute("INSERT INTO removed VALUES ('run-000', 1)")
    with pytest.raises(JournalRefused):
        remove(shop.journal.beside, "0123456789abcdef", 1, ["run-000"])
    with pytest.raises(JournalRefused, match="another journal"):
        remove(shop.journal.beside, "e" * 16, 1, ["run-000"])
    shop.backup()
    shop.settle()
    with closing(sqlite3.connect(shop.places.journal)) as raw:
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            raw.execute("DELETE FROM removed")
        with pytest.raises(sqlite3.IntegrityError, match="its samples were removed"):
            raw.execute("INSERT INTO chunks VALUES ('run-000', x'00')")


def test_samples_taken_away_by_hand_are_accused_whatever_the_table_says(shop):
    shop.backup()
    shop.settle()
    number = 0
    with JournalReader.open(shop.places.journal) as reader:
        number = reader.run("run-001").removed.number
    shop.bench.tamper("DELETE FROM chunks WHERE run_id = 'run-050'")
    said = shop.says("verify", "run-050", code=1)
    assert "exposure run-050" in said and "CHANGED" in said and "notice" not in said
    shop.bench.tamper(f"INSERT INTO removed VALUES ('run-050', {number})")  # of another record
    said = shop.says("verify", "run-050", code=1)
    assert "CHANGED" in said and "notice" not in said
    body = json.dumps({"name": "samples removed", "data": {
        "of_run": "run-050", "runs": ["run-050"], "samples": 40, "days": 90,
        "manifest_sha256": "0" * 64, "backup_utc": "x",
    }})  # fmt: skip
    shop.bench.tamper(
        "DELETE FROM removed WHERE run_id = 'run-050'",
        "INSERT INTO entries SELECT max(number) + 1, 'event', NULL, 1924934400000, "
        f"'{body}' FROM entries",
        "INSERT INTO removed SELECT 'run-050', max(number) FROM entries",
    )
    said = shop.says("verify", "run-050", code=1)
    assert "notes the removal of another record" in said


def test_a_removal_that_was_put_in_later_is_accused(shop):
    """With the right sum, by somebody who has no key: its entry was never sealed, and later ones
    were."""
    with JournalReader.open(shop.places.journal) as reader:
        last = reader.last_number()
    make(shop.journal, "newest", NOW)
    shop.seal()
    with SealLog.open(shop.places.log, read_only=True) as log:
        seal = log.find(("exposure",), "run-050").seal
    body = json.dumps({"name": "samples removed", "data": {
        "of_run": "run-050", "runs": ["run-050"], "samples": 40, "days": 90,
        "manifest_sha256": seal.manifest_sha256, "backup_utc": "x",
    }})  # fmt: skip
    shop.bench.tamper(
        f"UPDATE entries SET kind = 'event', run_id = NULL, body = '{body}' WHERE number = {last}",
        f"INSERT INTO removed VALUES ('run-050', {last})",
        "DELETE FROM chunks WHERE run_id = 'run-050'",
    )
    assert "the note of its removal, entry" in shop.says("verify", "run-050", code=1)


def test_what_is_sent_again_later_has_no_samples_and_stops_nobody(shop):
    shop.backup()
    shop.settle()
    with JournalReader.open(shop.places.journal) as reader:
        rows = [row for row in reader.outbox_after(0, 8) if isinstance(row.entry, RunSamples)]
    assert rows and all(row.entry.ticks == () for row in rows)
    address = parse(f"platelink/shop/{UNIT}/run/run-000/samples")
    for row in rows:
        if address is not None:
            assert points_of(row.entry, address, RunTags("film", 0), order=1) is None


def test_a_log_begun_again_and_a_restored_backup_accuse_nobody(shop, tmp_path):
    shop.backup()
    shop.settle()
    shop.places.key.unlink()
    shop.seal()
    said = shop.says("verify", "--journal")
    assert "the retention of 90 days" in said
    shop.backup("later")
    elsewhere = tmp_path / "elsewhere"
    restore(tmp_path / "later", shop.config, to=elsewhere, at_utc=NOW)
    with JournalReader.open(elsewhere / "journal.sqlite") as reader:
        assert reader.run("run-000").removed is not None
        assert not len(reader.samples("run-000"))
    shop.close()
    mended = tmp_path / "mended.sqlite"
    repair(shop.places.journal, mended)
    with JournalReader.open(mended) as reader:
        assert reader.run("run-000").removed is not None
        assert len(reader.samples("run-050")) == 40
    shop.open()


def test_the_file_beside_the_journal_is_believed_only_where_it_fits(tmp_path):
    journal = tmp_path / "journal.sqlite"
    journal.write_bytes(b"")
    assert last_backup(journal) is None
    made = BackedUp("0" * 16, 7, "2031-01-01T08:00:00+00:00", "/backup")
    note_backup(journal, made)
    assert last_backup(journal) == made
    for text in ("", "{}", "[]", "null", '{"format": 2}', backed_up_path(journal).read_text()[:-9]):
        backed_up_path(journal).write_text(text)
        assert last_backup(journal) is None
