"""``platelink fleet plates`` and ``show``: any plate of any unit, whether the unit is on or off."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.cli_runs import run
from fleet.fleet_copies import SITE, good, published, unit_journal
from publish import publish_samples as ps

from platelink.fleet.copies import Copies
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
                  "none missing below it", "1 have not come"):  # fmt: skip
        assert words in told.output, told.output
    told = run("--config", config, "fleet", "plates", "unit-2", "--json", "--limit", "2")
    found = json.loads(told.stdout)
    assert [one["run_id"] for one in found["plates"]] == ["P-3", "P-2"]
    ((first, last),) = found["copies"][0]["missing"]
    assert first == last


def test_a_plate_that_is_not_there_and_a_unit_that_is_not_there(config: Path) -> None:
    told = run("--config", config, "fleet", "show", "unit-1", "P-99")
    assert told.exit_code == 2 and "begins with 'P-99'" in told.stderr
    told = run("--config", config, "fleet", "show", "unit-9", "P-1")
    assert told.exit_code == 2 and "there are: " in told.stderr


def test_check_of_a_copy_says_what_a_copy_cannot_tell(config: Path) -> None:
    (path,) = (config.with_name("fleet") / SITE / "unit-1").glob("*.sqlite")
    told = run("check", EXPOSURE, "--journal", path)
    assert told.exit_code == 1
    assert "cannot be integrated" in told.output
