"""Records of another unit: taken in once verified, opened as that unit's, never as the own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zlib
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from report.made import folder_of_one

from evidence.made import large_bundle, write_plates
from evidence.test_commands import Unit
from platelink.cli import main
from platelink.doctor.backup import backup, drill, restore
from platelink.evidence.beside import imported_path
from platelink.evidence.folder import read_folder, write_folder
from platelink.evidence.foreign import foreign_journal
from platelink.evidence.imported import ImportedStore, verified
from platelink.evidence.keys import Verifier
from platelink.evidence.wrong import EvidenceError
from platelink.record.chunk import same
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader

pytestmark = pytest.mark.timeout(600)
NOW = datetime(2031, 1, 1, tzinfo=UTC)


def _renamed(unit, name):
    text = unit.config.read_text("utf-8").replace('"invented-unit"', f'"{name}"')
    unit.config.write_text(text, "utf-8")
    return unit


@pytest.fixture
def a(tmp_path):
    """The unit that gives: two plates, sealed."""
    folder = tmp_path / "a"
    folder.mkdir()
    write_plates(folder / "journal.sqlite", "plate-1", "plate-2")
    unit = Unit(folder)
    unit.seal()
    unit.key = unit.says("seal", "key").strip()
    return unit


@pytest.fixture
def b(tmp_path):
    """The unit that takes, with a journal of its own and nothing in it but its beginning."""
    folder = tmp_path / "b"
    folder.mkdir()
    with Journal.open(folder / "journal.sqlite", unit="unit-b", new_uuid="b" * 16):
        pass
    return _renamed(Unit(folder), "unit-b")


def _own_bytes(unit):
    """What of the unit must never change by an import."""
    with closing(sqlite3.connect(unit.places.journal)) as raw:
        dump = "\n".join(raw.iterdump())
    return dump, unit.places.log.exists() and unit.places.log.read_bytes()


def test_a_plate_goes_from_one_unit_to_another_and_is_opened_there_as_the_first_ones(
    a, b, tmp_path
):
    bags = tmp_path / "bags"
    assert "2 written, 0 there before" in a.says("bundle", "--since", "2029-01-01", "--to", bags)
    assert sorted(path.name for path in bags.iterdir()) == ["plate-1", "plate-2"]
    before = _own_bytes(b)
    said = b.says("import", bags, "--key", a.key)
    assert "imported  invented-unit/plate-1" in said and "2 imported, 0 there before" in said
    assert _own_bytes(b) == before

    listed = b.says("imported")
    assert "invented-unit/plate-1" in listed and "invented-shop" in listed
    assert "none yet" in b.says("runs")
    part = b.says("show", "plate-1.film", "--no-plot")
    assert "unit      invented-unit" in part and "IMPORTED" in part
    told = json.loads(b.says("show", "invented-unit/plate-1.film", "--json"))
    assert (told["imported"]["unit"], told["stored_samples"]) == ("invented-unit", 60)
    assert (told["seal"]["name"], told["seal"]["index"]) == ("plate-1", 1)
    own = json.loads(a.says("show", "plate-1.film", "--json"))
    assert own["events"] == told["events"] and own["end"] == told["end"]
    assert own["start"] == told["start"] and "imported" not in own
    assert "is what was sealed" in b.says("verify", "plate-1")
    assert "2 imported records, 0 not what was sealed" in b.says("verify", "--imported")


def test_a_made_plate_is_shown_and_confirmed_at_the_other_unit(b, tmp_path):
    a = Unit(folder_of_one(tmp_path / "one"))
    a.seal()
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    b.says("import", tmp_path / "bag", "--key", a.says("seal", "key").strip())
    shown = b.says("show", "invented-unit/plate-1")
    assert shown.startswith("IMPORTED\n  of unit invented-unit (invented-shop), not of this one:")
    assert "PLATE plate-1" in shown and "SEAL\n  plate plate-1, sealed " in shown
    mine, told = a.says("check", "plate-1", code=1), b.says("check", "plate-1", code=1)
    assert told.partition("\n")[2] == mine  # whose calibrations it leaves out
    assert "ok      plate-1  plate, every entry is there" in told
    mine, told = (
        unit.says("show", name) for unit, name in ((a, "run-2"), (b, "invented-unit/run-2"))
    )
    plots = mine.partition("compares\n")[2]
    assert len(plots) > 1000 and told.endswith(plots)
    assert set(mine.partition("SEAL")[0].splitlines()) <= set(told.splitlines())


def test_its_samples_are_the_same_bits(a, b, tmp_path):
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    with (
        foreign_journal(read_folder(tmp_path / "bag")) as foreign,
        JournalReader.open(a.places.journal) as own,
    ):
        for run_id in ("plate-1.film", "plate-1.screen", "plate-1.dry"):
            assert same(foreign.samples(run_id), own.samples(run_id))
        assert (foreign.unit, foreign.uuid) == (own.unit, own.uuid)
        bake, again = own.check("plate-1.dry"), foreign.check("plate-1.dry")
    assert again.missing_entries == 0
    assert again == bake


def test_check_export_report_and_bundle_work_on_it_and_say_whose_it_is(a, b, tmp_path):
    bag = tmp_path / "bag"
    a.says("bundle", "plate-1", "--to", bag)
    b.says("import", bag, "--key", a.key)
    mine = a.says("check", "plate-1.film", code=1)  # invented samples: they confirm nothing
    said = b.says("check", "invented-unit/plate-1.film", code=1)
    assert said.startswith("of unit invented-unit (invented-shop), not of this one")
    assert said.partition("\n")[2] == mine
    b.says("bundle", "invented-unit/plate-1", "--to", tmp_path / "again")
    assert read_folder(tmp_path / "again") == read_folder(bag)
    b.says("report", "plate-1", "-o", tmp_path / "report.html")
    assert (tmp_path / "report.html").read_bytes() == (bag / "report.html").read_bytes()
    exported = b.says("export", "plate-1.film")
    assert "not of this one" in exported
    assert a.says("export", "plate-1.film") in exported


def test_a_second_time_changes_nothing(a, b, tmp_path):
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    b.says("import", tmp_path / "bag", "--key", a.key)
    store = imported_path(b.places.journal)
    before = store.read_bytes()
    assert "there     invented-unit/plate-1: imported before, the same" in b.says(
        "import", tmp_path / "bag", "--key", a.key
    )
    assert store.read_bytes() == before
    bags = tmp_path / "bags"
    a.says("bundle", "plate-1", "plate-2", "--to", bags)
    assert "0 written, 2 there before" in a.says("bundle", "plate-1", "plate-2", "--to", bags)


def test_what_is_not_what_it_seems_is_refused_each_with_its_reason(a, b, tmp_path):
    bags = tmp_path / "bags"
    a.says("bundle", "plate-1", "--to", bags / "good")
    for name in ("changed", "truncated", "newer"):
        shutil.copytree(bags / "good", bags / name)
    record = bags / "changed/data/record.json"
    record.write_bytes(record.read_bytes().replace(b"example-operator", b"somebody-elses"))
    sample = next((bags / "truncated/data/samples").iterdir())
    sample.write_bytes(sample.read_bytes()[:-200])
    seal = bags / "newer/seal.json"
    seal.write_bytes(seal.read_bytes().replace(b'"format":1', b'"format":2'))
    (bags / "other").mkdir()
    (bags / "other/letter.txt").write_text("no bundle")
    (bags / ".plate-9.123").mkdir()  # what a killed bundle left
    done = json.loads(b.says("import", bags, "--key", a.key, "--json", code=1))
    assert done["imported"] == ["invented-unit/plate-1"]
    refused = {Path(path).name: why for path, why in done["refused"].items()}
    assert refused == {
        "changed": "it does not verify under the key given: data/record.json is not what was "
        "sealed (and 2 more)",
        "truncated": f"it does not verify under the key given: data/samples/{sample.name} is not "
        "what was sealed (and 2 more)",
        "newer": "it does not verify under the key given: seal.json is of format 2, this release "
        "reads 1; use a newer one",
        "other": "no bundle: there is no seal.json",
    }
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "is no bundle and has none in it" in b.says("import", empty, "--key", a.key, code=2)


def test_no_other_key_will_do_and_the_own_records_are_not_imported(a, b, tmp_path):
    bag = tmp_path / "bag"
    a.says("bundle", "plate-1", "--to", bag)
    forged = Verifier(Verifier.of_text(a.key).name, bytes(range(32)))
    said = b.says("import", bag, "--key", forged.text, code=1)
    assert "it does not verify under the key given: the checkpoint is signed by" in said
    strange = Verifier("platelink/elsewhere/unit-c/00000000", bytes(range(32)))
    said = b.says("import", bag, "--key", strange.text, code=1)
    assert "no key of that log was given; ask for it at that unit" in said
    assert "Missing option '--key'" in b.says("import", bag, code=2)
    assert "is this unit's own; its journal has it" in a.says("import", bag, "--key", a.key, code=1)
    assert "none; take bundles in" in a.says("imported")


def test_the_same_name_with_other_content_is_refused(a, b, tmp_path):
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    b.says("import", tmp_path / "bag", "--key", a.key)
    other = tmp_path / "other"
    write_folder(large_bundle(), other)  # the same journal and plate, as somebody else tells it
    log = read_folder(other)
    key = Verifier.of_text(log["log.vkey"].decode().strip())
    said = b.says("import", other, "--key", key.text, code=1)
    assert "plate invented-unit/plate-1 was imported" in said and "with other content" in said
    assert len(json.loads(b.says("imported", "--json"))["records"]) == 1


def test_the_own_record_comes_first_and_the_other_is_named(a, tmp_path):
    """Both units have made a plate-1."""
    folder = tmp_path / "c"
    folder.mkdir()
    write_plates(folder / "journal.sqlite", "plate-1", unit="unit-c", uuid="c" * 16)
    c = _renamed(Unit(folder), "unit-c")
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    c.says("import", tmp_path / "bag", "--key", a.key)
    shown = c.says("show", "plate-1.film", "--no-plot")
    assert "another of that name was imported: invented-unit/plate-1" in shown
    assert "IMPORTED" not in shown and "unit      unit-c" in shown
    assert "IMPORTED" in c.says("show", "invented-unit/plate-1.film", "--no-plot")


def test_what_is_changed_in_the_store_later_is_found_when_it_is_opened(a, b, tmp_path):
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    b.says("import", tmp_path / "bag", "--key", a.key)
    with closing(sqlite3.connect(imported_path(b.places.journal))) as raw:
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            raw.execute("UPDATE files SET body = x''")
        raw.execute("DROP TRIGGER files_no_update")
        where = "WHERE path = 'data/record.json'"
        (body,) = raw.execute(f"SELECT body FROM files {where}").fetchone()
        changed = zlib.decompress(body).replace(b"example-operator", b"somebody-elses")
        raw.execute(f"UPDATE files SET body = ? {where}", (zlib.compress(changed),))
        raw.commit()
    for words in (["show", "plate-1"], ["check", "plate-1"], ["verify", "plate-1"]):
        assert "is not what was imported: data/record.json is not" in b.says(*words, code=1)
    assert "1 imported records, 1 not what was sealed" in b.says("verify", "--imported", code=1)


def test_a_damaged_store_keeps_nobody_from_the_own_records(a, tmp_path):
    imported_path(a.places.journal).write_bytes(b"nothing of ours" * 100)
    shown = a.says("show", "plate-1.film", "--no-plot")
    assert "is not a store of imported records" in shown and "unit      invented-unit" in shown
    assert "is not a store of imported records" in a.says("show", "plate-9", code=1)


def test_killed_in_the_middle_nothing_is_half_there(a, b, tmp_path):
    bags = tmp_path / "bags"
    a.says("bundle", "plate-1", "plate-2", "--to", bags)
    code = f"""
import os, signal, sys
from platelink.ledger.database import Database
real, count = Database.execute, [0]
def execute(self, sql, values=()):
    if sql.startswith("INSERT INTO files"):
        count[0] += 1
        if count[0] == 16:  # in the middle of the second
            os.kill(os.getpid(), signal.SIGKILL)
    real(self, sql, values)
Database.execute = execute
from platelink.cli import main
main(["--config", {str(b.config)!r}, "import", {str(bags)!r}, "--key", {a.key!r}])
"""
    killed = subprocess.run(
        [sys.executable, "-c", code],
        check=False,
        env=os.environ | {"PYTHONPATH": ":".join(sys.path)},
    )
    assert killed.returncode == -signal.SIGKILL
    names = [one["name"] for one in json.loads(b.says("imported", "--json"))["records"]]
    assert names in ([], ["plate-1"])
    assert b.says("verify", "--imported")
    said = b.says("import", bags, "--key", a.key)
    assert f"{2 - len(names)} imported, {len(names)} there before" in said
    with ImportedStore.open(imported_path(b.places.journal), read_only=True) as store:
        for one in store.all():
            assert store.files(one) == read_folder(bags / one.name)


def test_it_is_in_the_backup_and_comes_back_with_it(a, b, tmp_path):
    a.says("bundle", "plate-1", "--to", tmp_path / "bag")
    b.says("import", tmp_path / "bag", "--key", a.key)
    kept = backup(b.config, tmp_path / "kept", recorder=False, at_utc=NOW)
    assert "journal.imported" in [one.name for one in kept]
    tried = drill(tmp_path / "kept", b.config, at_utc=NOW)
    assert [one.missing for one in tried if one.name == "journal.imported"] == [0]
    imported_path(b.places.journal).unlink()
    b.places.journal.unlink()
    for path in b.folder.glob("journal.*"):
        path.unlink()
    restore(tmp_path / "kept", b.config, to=None, at_utc=NOW)
    assert "is what was sealed" in b.says("verify", "plate-1")


def test_a_record_that_this_release_cannot_read_is_not_taken(a):
    files = dict(large_bundle())
    key = Verifier.of_text(files["log.vkey"].decode().strip())
    assert verified(files, [key]).name == "plate-1"
    record = json.loads(files["data/record.json"])
    record["runs"][0]["start"]["id"] = "nonsense"
    with (
        pytest.raises(EvidenceError, match="this release cannot read its record"),
        foreign_journal(files | {"data/record.json": json.dumps(record).encode()}),
    ):
        pass


def test_the_help_names_what_is_needed():
    said = CliRunner().invoke(main, ["import", "-h"])
    assert "which came to you by another way than the bundles" in " ".join(said.output.split())
