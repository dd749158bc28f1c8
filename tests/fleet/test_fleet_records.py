"""``platelink fleet plates`` and ``show``: any plate of any unit, whether the unit is on or off."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from cli.cli_runs import run
from fleet.fleet_copies import SITE, begun_anew, good, published, unit_journal
from publish import publish_samples as ps

from platelink.fleet.copies import Copies
from platelink.fleet.keep import Keeper, KeepStatus
from platelink.runs import RunSamples

EXPOSURE = "20260302-070000-aaaa"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """Copies of two units; the other one has sent all but one entry."""
    entries = published(unit_journal(tmp_path / "journal.sqlite"))
    other = [entry.model_copy(update={"unit": "unit-2"}) for entry in entries]
    (lost,) = (n for n, e in enumerate(other) if isinstance(e, RunSamples) and e.run_id == EXPOSURE)
    copies = Copies(tmp_path / "fleet")
    copies.take([good(entry) for entry in entries + other[:lost] + other[lost + 1 :]])
    copies.close()
    file = tmp_path / "fleet.toml"
    file.write_text(
        f'format = 1\n[broker]\nhost = "broker.example"\n[fleet]\npath = "{tmp_path / "fleet"}"\n',
        encoding="utf-8",
    )
    return file


def test_show_of_a_copy_is_show_of_the_journal(config: Path) -> None:
    own = run("show", "P-1", "--journal", config.with_name("journal.sqlite")).output
    copied = run("--config", config, "fleet", "show", "unit-1", "P-1")
    assert copied.exit_code == 0, copied.output
    head, _, rest = copied.output.partition("\n\n")
    assert rest == own
    assert head.startswith("COPY\n") and f"copy of what {SITE}/unit-1 published" in head
    assert "none missing" in head and "seal not compared: seals are not published" in head
    assert "no log of seals lies beside it" in rest


def test_a_curve_of_a_copy_is_drawn(config: Path) -> None:
    own = run("show", EXPOSURE, "--journal", config.with_name("journal.sqlite")).output
    copied = run("--config", config, "fleet", "show", f"{SITE}/unit-1", EXPOSURE[:14])
    assert copied.output.partition("\n\n")[2] == own and "irradiance" in own


def test_what_has_not_come_is_said_where_it_is_missed(config: Path) -> None:
    told = run("--config", config, "fleet", "show", "unit-2", EXPOSURE)
    assert "of its entries 1 have not come, and the unit is asked for them" in told.output
    several = [entry.model_copy(update={"unit": "unit-3"}) for entry in ps.whole_run(3, 5)]
    copies = Copies(config.with_name("fleet"))
    copies.take([good(entry) for entry in several[:3] + several[4:]])
    copies.close()
    told = run("--config", config, "fleet", "show", "unit-3", "r1")
    assert told.exit_code == 1
    assert "the samples of r1 cannot be shown: of its entries 1 have not come" in told.stderr
    assert "restore a backup" not in told.stderr
    other = run("--config", config, "fleet", "show", "unit-2", "P-1", "--json")
    assert other.exit_code == 0 and json.loads(other.stdout)["run"]["plate"] == "P-1"
    assert "1 have not come" in other.stderr


def test_plates_of_all_units_are_listed_with_what_is_missing(config: Path) -> None:
    told = run("--config", config, "fleet", "plates")
    assert told.exit_code == 0
    for words in (f"{SITE}/unit-1  P-3", f"{SITE}/unit-2  P-3", "reject", "Größe 1",
                  "none missing below it", "1 have not come",
                  " of 2026-03-03 07:00 UTC"):  # fmt: skip
        assert words in told.output, told.output
    told = run("--config", config, "fleet", "plates", "unit-2", "--json", "--limit", "2")
    found = json.loads(told.stdout)
    assert [one["run_id"] for one in found["plates"]] == ["P-3", "P-2"]
    ((first, last),) = found["copies"][0]["missing"]
    assert first == last


def test_a_plate_that_is_not_there_and_a_unit_that_is_not_there(config: Path) -> None:
    told = run("--config", config, "fleet", "show", "unit-1", "P-99")
    assert told.exit_code == 2 and "begins with 'P-99'" in told.stderr
    assert "'platelink fleet plates' lists them" in told.stderr  # `runs` has no such journal
    told = run("--config", config, "fleet", "show", "unit-9", "P-1")
    assert told.exit_code == 2 and "there are: " in told.stderr


def test_check_of_a_copy_says_what_a_copy_cannot_tell(config: Path) -> None:
    (path,) = (config.with_name("fleet") / SITE / "unit-1").glob("*.sqlite")
    told = run("check", EXPOSURE, "--journal", path)
    assert told.exit_code == 1
    assert "cannot be integrated" in told.output


def spoilt(config: Path, how: str) -> Path:
    """The copy of unit-2 so that nobody can read it."""
    (path,) = (config.with_name("fleet") / SITE / "unit-2").glob("*.sqlite")
    if how == "empty":
        path.write_bytes(b"")
    elif how == "no database":
        path.write_text("hello", encoding="utf-8")
    elif how == "half":
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
    else:
        with closing(sqlite3.connect(path)) as database:
            if how == "newer":
                database.execute("PRAGMA user_version = 900")
            else:
                database.execute("DROP TABLE copy")
            database.commit()
    for beside in path.parent.glob("*.sqlite-*"):
        beside.unlink()
    return path


@pytest.mark.parametrize("how", ["empty", "no database", "half", "newer", "no copy"])
def test_a_copy_that_cannot_be_read_is_named_and_not_left_out(config: Path, how: str) -> None:
    path = spoilt(config, how)
    told = run("--config", config, "fleet", "plates")
    assert told.exit_code == 1 and f"{SITE}/unit-1  P-3" in told.output
    assert f"problem: plates in {path} are not listed: " in told.output
    told = run("--config", config, "fleet", "plates", "unit-2")
    assert told.exit_code == 1 and str(path) in told.output and "any unit" not in told.output
    told = run("--config", config, "fleet", "plates", "--json")
    assert [one["path"] for one in json.loads(told.stdout)["unread"]] == [str(path)]
    told = run("--config", config, "fleet", "show", "unit-2", "P-1")
    assert told.exit_code == 1 and f"{path} cannot be read: " in told.stderr


def test_a_folder_that_may_not_be_looked_into_is_no_empty_one(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut = config.with_name("fleet") / SITE
    entered = Path.iterdir

    def iterdir(folder: Path) -> Iterator[Path]:
        if folder == shut:
            raise PermissionError(13, "Permission denied")
        return entered(folder)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    monkeypatch.setattr(Path, "glob", lambda *_: iter(()))
    for what in (["plates"], ["show", "unit-1", "P-1"]):
        told = run("--config", config, "fleet", *what)
        assert told.exit_code != 0
        assert f"{shut}" in told.output + told.stderr
        assert "it cannot be looked into (Permission denied)" in told.output + told.stderr


def test_a_list_that_is_cut_says_so(config: Path) -> None:
    told = run("--config", config, "fleet", "plates", "--limit", "2")
    assert f"only the newest 2 of {SITE}/unit-1, {SITE}/unit-2 are shown" in told.output
    assert "only the newest" not in run("--config", config, "fleet", "plates").output
    told = run("--config", config, "fleet", "plates", "--limit", "3", "--json")
    assert json.loads(told.stdout)["more"] == []


def test_plates_of_one_name_in_two_journals_of_a_unit_are_told_apart(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copies = Copies(config.with_name("fleet"))
    again = begun_anew(published(config.with_name("journal.sqlite")), "second")
    assert copies.take([good(entry) for entry in again]) == []
    copies.close()
    told = run("--config", config, "fleet", "show", "unit-1", "P-1").output
    (first,) = (p for p in (config.with_name("fleet") / SITE / "unit-1").glob("*.sqlite")
                if p.stem != "second")  # fmt: skip
    assert "Later 1" in told and "Größe" not in told
    words = " ".join(told.partition("\n\n")[0].split())
    assert "another journal of this unit has a P-1 too, begun 2026-03-02" in words
    assert f"platelink show P-1 --journal {first}" in words
    monkeypatch.setenv("COLUMNS", "40")
    narrow = run("--config", config, "fleet", "show", "unit-1", "P-1").output
    assert f"  {first}\n" in narrow
    again = run("--config", config, "fleet", "show", "unit-1", "P-1").output
    assert "Later 1" in narrow and again == narrow  # whatever was read meanwhile
    alone = run("--config", config, "fleet", "show", "unit-2", "P-1").output
    assert "another journal" not in alone


def test_a_folder_that_the_keeper_may_not_write_is_named_with_its_own_key(config: Path) -> None:
    (config.with_name("fleet") / "keep.name").mkdir()  # nobody can read it as a file
    told = run("--config", config, "fleet", "keep")
    assert told.exit_code == 1 and "or set [fleet] path" in told.stderr


def test_what_is_the_matter_stands_in_a_line_of_its_own(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def once(_: Keeper, stop: object, report: Callable[[KeepStatus], None], **every: float) -> None:
        report(KeepStatus(False, 1, 2, 1, "of \x1b[2J nobody", "no broker"))

    monkeypatch.setattr(Keeper, "run", once)
    told = run("--config", config, "fleet", "keep").stdout.splitlines()
    assert told[0].endswith("  not connected; 1 unit, 2 messages received, 1 of them refused")
    assert told[1].startswith("the last one refused: of ") and "\x1b" not in told[1]
    assert told[2:] == ["problem: no broker"]
