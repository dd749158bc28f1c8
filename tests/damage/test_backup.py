"""Backup, restore and drill of all files, while they are in use. All invented."""

from __future__ import annotations

import json
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from record import make as record

from damage import campaign
from damage.test_repair import rows
from platelink.cli import main
from platelink.config.load import load
from platelink.daemon.setup import socket_path
from platelink.doctor.backup import backup, drill, restore, verified
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.people.store import People
from platelink.publish.cursor import CursorFile, CursorState
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader

AT = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)
NAMES = (
    "alerts.sqlite", "calibrations.sqlite", "experiments.sqlite", "journal.sqlite",
    "people.sqlite", "recipes.sqlite",
)  # fmt: skip


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The configuration of a unit with all its files."""
    folder = tmp_path / "unit"
    folder.mkdir()
    config = folder / "platelink.toml"
    config.write_text(campaign.CONFIGURATION, "utf-8")
    campaign.make_journal(folder / "journal.sqlite")
    campaign.make_people(folder / "people.sqlite")
    campaign.make_recipes(folder / "recipes.sqlite")
    campaign.make_calibrations(folder / "calibrations.sqlite")
    campaign.make_alerts(folder / "alerts.sqlite")
    campaign.make_experiments(folder / "experiments.sqlite")
    with JournalReader.open(folder / "journal.sqlite") as journal:
        CursorFile(folder / "journal.cursor").save(CursorState(5, journal.id_of(5), 3))
    return config


def same(before: Path, after: Path) -> None:
    """All rows of every table, but for what restoring changes on purpose."""
    old, new = rows(before), rows(after)
    for name in ("sign_ins", "screens"):
        if name in new:
            assert new[name] == []
        old.pop(name, None), new.pop(name, None)
    if "journal" in old:
        assert [r[2] for r in old.pop("journal")] == [r[2] for r in new.pop("journal")]
        added = [row for row in new["entries"] if row not in old["entries"]]
        assert len(added) == 1 and "restored from the backup" in added[0][4]
        new["entries"].remove(added[0])
    if "items" in old:  # what waited is not sent any more
        states = [row[9] for row in old["items"]]
        assert "waiting" in states
        changed = [state.replace("waiting", "dropped") for state in states]
        assert [row[9] for row in new["items"]] == changed
        old["items"], new["items"] = ([row[:9] for row in one["items"]] for one in (old, new))
    assert new == old


def test_all_of_it_comes_back_into_an_empty_directory(unit: Path, tmp_path: Path) -> None:
    made = backup(unit, tmp_path / "kept", recorder=False, at_utc=AT)
    names = {"journal.cursor", "platelink.toml", *NAMES}
    assert {one.name for one in made} == names
    assert {p.name for p in (tmp_path / "kept").iterdir()} == {"manifest.json", *names}
    done = restore(tmp_path / "kept", None, to=tmp_path / "empty", at_utc=AT)
    assert {one.name for one in done} == names
    for name in NAMES:
        same(unit.parent / name, tmp_path / "empty" / name)
    assert (tmp_path / "empty/platelink.toml").read_bytes() == unit.read_bytes()
    modes = {p.stat().st_mode & 0o077 for f in ("kept", "empty") for p in (tmp_path / f).iterdir()}
    assert modes == {0}
    assert (tmp_path / "kept").stat().st_mode & 0o077 == 0


def test_while_everything_is_written(unit: Path, tmp_path: Path) -> None:
    """Every acknowledged entry from before is in it, and nobody who writes is held up for long."""
    import time

    end, longest = threading.Event(), [0.0]
    acknowledged = [0]

    def write() -> None:
        with record.journal_at(unit.parent / "journal.sqlite", ballast_bytes=4096) as journal:
            while not end.is_set():
                began = time.monotonic()
                journal.append(record.event(journal, None, text="x" * 500))
                journal.keep({"clock": acknowledged[0]}, record.T0)
                longest[0] = max(longest[0], time.monotonic() - began)
                acknowledged[0] += 1
                time.sleep(0.001)  # or it would be nothing but writing

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            while acknowledged[0] < 100 * (number + 1):
                time.sleep(0.01)
            before = acknowledged[0]
            target = tmp_path / f"kept-{number}"
            backup(unit, target, recorder=False, at_utc=AT)
            with JournalReader.open(target / "journal.sqlite") as kept:
                assert kept.faults() == []
                texts = [e for e in kept.unit_events(limit=100_000) if e.name == "noted"]
                assert len(texts) >= before
    finally:
        end.set()
        writer.join()


def test_the_unit_goes_on_with_what_was_restored(unit: Path, tmp_path: Path) -> None:
    backup(unit, tmp_path / "kept", recorder=False, at_utc=AT)
    with JournalReader.open(unit.parent / "journal.sqlite") as journal:
        old, entries = journal.uuid, journal.last_number()
    with pytest.raises(StoreRefused, match="is there; end what uses it"):
        restore(tmp_path / "kept", unit, to=None, at_utc=AT)
    for path in unit.parent.iterdir():
        path.unlink()
    restore(tmp_path / "kept", unit, to=None, at_utc=AT)
    config = load(unit)
    assert socket_path(config).parent == unit.parent
    # Another id: recorders hold other entries under the numbers that come now.
    with JournalReader.open(config.journal.path) as journal:
        assert journal.uuid != old and journal.last_number() == entries + 1
        cursor = CursorFile(unit.parent / "journal.cursor").load()
        assert (cursor.number, cursor.entry_id) == (5, journal.id_of(5))
        assert len(journal.samples("r0")) == 60
    with People.open(config.people_path(), hashing=campaign.QUICK) as people:
        assert people.anybody()
    with record.journal_at(config.journal.path, ballast_bytes=4096) as own:
        own.append(record.event(own, None))


def test_a_recorder_too(tmp_path: Path) -> None:
    config = tmp_path / "recorder.toml"
    config.write_text(
        'format = 1\n[broker]\nhost = "127.0.0.1"\n[store]\nurl = "http://127.0.0.1:1"\n'
        '[recorder]\npath = "recorder.sqlite"\n'
    )
    campaign.make_recorder(tmp_path / "recorder.sqlite")
    (tmp_path / "recorder.name").write_text("0011\n")
    backup(config, tmp_path / "kept", recorder=True, at_utc=AT)
    restore(tmp_path / "kept", None, to=tmp_path / "empty", at_utc=AT)
    assert rows(tmp_path / "recorder.sqlite") == rows(tmp_path / "empty/recorder.sqlite")
    assert (tmp_path / "empty/recorder.name").read_text() == "0011\n"


def test_what_is_damaged_is_not_backed_up_nor_restored(unit: Path, tmp_path: Path) -> None:
    backup(unit, tmp_path / "kept", recorder=False, at_utc=AT)
    for one in (tmp_path / "kept").iterdir():
        sound = one.read_bytes()
        for bad in (sound[:-1], bytes([sound[0] ^ 1]) + sound[1:]):
            one.write_bytes(bad)
            with pytest.raises(StoreRefused) as told:
                if one.name == "manifest.json" and json_still(bad):
                    raise StoreRefused("the end of a line")
                restore(tmp_path / "kept", None, to=tmp_path / "never", at_utc=AT)
            assert "\n" not in str(told.value)
        one.write_bytes(sound)
    assert not (tmp_path / "never").exists()
    verified(tmp_path / "kept")
    journal = unit.parent / "journal.sqlite"
    journal.write_bytes(journal.read_bytes()[: journal.stat().st_size // 2])
    with pytest.raises((StoreError, JournalError)):
        backup(unit, tmp_path / "never", recorder=False, at_utc=AT)
    assert not (tmp_path / "never").exists()
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".never")]


def json_still(data: bytes) -> bool:
    try:
        json.loads(data)
    except ValueError:
        return False
    return True


def test_the_drill_finds_what_a_backup_lacks(unit: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    backup(unit, kept, recorder=False, at_utc=AT)
    found = drill(kept, unit, at_utc=AT)
    assert {one.name for one in found} >= set(NAMES) and not any(one.missing for one in found)
    manifest = json.loads((kept / "manifest.json").read_text())
    with closing(sqlite3.connect(kept / "recipes.sqlite")) as db:
        db.execute("DROP TRIGGER moves_no_delete")
        db.execute("DELETE FROM moves")
        db.commit()
    import hashlib

    for one in manifest["files"]:
        if one["name"] == "recipes.sqlite":  # whoever made it believed it to be whole
            one["sha256"] = hashlib.sha256((kept / one["name"]).read_bytes()).hexdigest()
    (kept / "manifest.json").write_text(json.dumps(manifest))
    lacking = {one.name: one.missing for one in drill(kept, unit, at_utc=AT)}
    assert lacking["recipes.sqlite"] == 1 and lacking["journal.sqlite"] == 0


def test_the_commands(unit: Path, tmp_path: Path) -> None:
    def run(*words: str) -> str:
        done = CliRunner().invoke(main, ["--config", str(unit), *words])
        assert done.exit_code == 0, done.output
        return done.output

    kept = str(tmp_path / "kept")
    assert "try it with platelink drill" in run("backup", kept)
    assert "opens" in run("drill", kept)
    assert json.loads(run("drill", kept, "--json"))["ok"]
    assert "sudo chown" in run("restore", kept, "--to", str(tmp_path / "empty"))
    for words in (["backup", kept], ["restore", kept], ["drill", str(tmp_path / "none")]):
        done = CliRunner().invoke(main, ["--config", str(unit), *words])
        assert done.exit_code == 2 and "Traceback" not in done.output, done.output
