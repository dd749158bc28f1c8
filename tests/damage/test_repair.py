"""``doctor --repair``: what is sound is copied to the bit, the damaged file is left as it is."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from record import make as record

from damage import campaign
from damage.campaign import KINDS, SAID, Kind
from platelink.cli import main
from platelink.doctor.repair import repair
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader

STORES = tuple(kind for kind in KINDS if kind.tables)


def rows(path: Path) -> dict[str, list[tuple]]:
    """Everything in a file, and its triggers."""
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        )]  # fmt: skip
        found = {n: sorted(db.execute(f"SELECT * FROM {n}"), key=repr) for n in names}
        found["-"] = sorted(db.execute("SELECT name, sql FROM sqlite_master"), key=repr)
        return found


@pytest.mark.parametrize("kind", STORES, ids=lambda kind: kind.name)
def test_a_sound_file_is_copied_whole(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / "sound.sqlite"
    kind.make(path)
    made = repair(path)
    assert made.found.whole and made.target == tmp_path / "sound.sqlite.repaired"
    before, after = rows(path), rows(made.target)
    before["sign_ins"] = after.get("sign_ins", [])  # everybody signs in anew
    if "sign_ins" not in after:
        del before["sign_ins"]
    assert after == before
    assert made.target.stat().st_mode & 0o077 == 0
    with pytest.raises(StoreRefused, match="exists already"):
        repair(path)


@pytest.mark.parametrize("kind", STORES, ids=lambda kind: kind.name)
def test_what_is_made_of_damaged_files_can_be_used(tmp_path: Path, kind: Kind) -> None:
    sound, path = tmp_path / "sound", tmp_path / "damaged.sqlite"
    kind.make(sound)
    have = sum(len(found) for name, found in rows(sound).items() if name != "-")
    repaired, saved = 0, 0
    for seed in range(15):
        campaign.damaged(kind, sound, path, seed)
        before, target = path.read_bytes(), tmp_path / f"copy-{seed}"
        try:
            made = repair(path, target)
        except SAID:
            assert not target.exists()
            continue
        assert path.read_bytes() == before
        repaired += 1
        saved += sum(made.found.copied.values())
        kind.use(target)
        if kind.name in ("journal", "kept"):
            with JournalReader.open(target) as reader:
                faults = [f for f in reader.faults() if "entries are missing" not in f]
                assert faults == [], (seed, faults)
                reader.outbox_after(0, 10_000)
                reader.open_runs()
                reader.snapshots()
    assert repaired >= 10 and saved > 0.7 * have * repaired, (repaired, saved, have)


def test_a_file_cut_in_half_gives_its_half(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with record.journal_at(path, ballast_bytes=4096) as journal:
        for number in range(300):
            journal.append(record.start(journal, f"r{number}", note="x" * 300))
            journal.append_samples(f"r{number}", record.block(60), record.T0)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises((JournalError, StoreError)), JournalReader.open(path) as reader:
        reader.outbox_after(0, 1000)
        reader.runs()
        raise AssertionError(reader.faults())
    made = repair(path)
    with JournalReader.open(made.target) as reader:
        assert len(reader.outbox_after(0, 1000)) == made.found.copied["entries"] > 200
        assert len(reader.open_runs()) == made.found.copied["runs"] > 100


def test_the_command(tmp_path: Path) -> None:
    path = tmp_path / "people.sqlite"
    campaign.make_people(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER entries_no_update")
        db.execute("UPDATE entries SET body = 'odd' WHERE act = 'role changed'")
        db.commit()
    run = CliRunner().invoke(main, ["doctor", "--repair", str(path), "--json"])
    assert run.exit_code == 0, run.output
    told = json.loads(run.output)
    assert told["kind"] == "store of people" and told["tables"]["entries"]["lost"] == 1
    again = CliRunner().invoke(main, ["doctor", "--repair", str(path), "--to", f"{path}.b"])
    assert "1 LOST" in again.output and "keep the damaged file" in again.output
    for odd in (tmp_path / "none", tmp_path):
        run = CliRunner().invoke(main, ["doctor", "--repair", str(odd)])
        assert run.exit_code == 2 and "Traceback" not in run.output
