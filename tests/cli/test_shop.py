"""``platelink shop`` at the keyboard: keys, a file from one computer to another, refusals."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from calibrations.make import PLAN
from click.testing import CliRunner, Result
from daemon.daemon_shop import config_for
from distribution.made import OTHER_KEY, approve, note, people_at, recipes_of, with_everybody
from fleet.fleet_links import Script
from recipe.make import plate

from platelink.calibrations.store import CalibrationStore
from platelink.cli import main
from platelink.daemon.calibrated import settings_of
from platelink.distribution import broker
from platelink.publish.broker import Received
from platelink.publish.messages import Took
from platelink.recipe.store import RecipeStore
from platelink.simulated.harness import configuration
from platesim.unit import UnitParameters


class Computer:
    def __init__(self, folder: Path, unit: str) -> None:
        folder.mkdir()
        self.folder, self.file = folder, folder / "platelink.toml"
        self._text = configuration(
            UnitParameters(), unit=unit, site="invented-shop", port="/dev/simulated",
            journal=folder / "journal.sqlite", expected_mw_cm2=7.0,
        )  # fmt: skip
        self.configure("")

    def configure(self, more: str) -> None:
        self.file.write_text(self._text + more, "utf-8")

    def run(self, *arguments: str) -> Result:
        return CliRunner().invoke(main, ["--config", str(self.file), *arguments])

    def said(self, *arguments: str) -> str:
        result = self.run(*arguments)
        assert result.exit_code == 0, result.output
        return result.stdout


@pytest.fixture
def shop(tmp_path: Path) -> Computer:
    made = Computer(tmp_path / "shop", "office")
    with RecipeStore.open(made.folder / "recipes.sqlite") as store:
        approve(store, plate())
    return made


@pytest.fixture
def unit(tmp_path: Path, shop: Computer) -> Computer:
    made = Computer(tmp_path / "unit", "unit-1")
    line = shop.said("shop", "key").strip()
    key = shop.folder / "shop" / "people.key"
    made.configure(f'\n[shop]\nkeys = ["{line}"]\npeople_key_file = "{key}"\n')
    return made


def test_key_is_made_once_and_printed_alone(shop: Computer) -> None:
    first = shop.run("shop", "key")
    assert first.stdout.count("\n") == 1 and "made now" in first.stderr
    again = shop.run("shop", "key")
    assert again.stdout == first.stdout and "was there already" in again.stderr
    other = json.loads(shop.said("shop", "key", "--replace", "--json"))
    assert other["made"] and other["key"] != first.stdout.strip()


def test_a_damaged_key_says_what_to_do_and_that_helps(shop: Computer) -> None:
    shop.said("shop", "key")
    (shop.folder / "shop" / "shop.key").write_text("half of a k", "utf-8")
    told = shop.run("shop", "key")
    assert told.exit_code == 1 and "make another: platelink shop key --replace" in told.stderr
    shop.said("shop", "key", "--replace")
    shop.said("shop", "key")


def test_a_file_goes_from_one_computer_to_another(
    shop: Computer, unit: Computer, tmp_path: Path
) -> None:
    file = tmp_path / "recipes.note"
    told = shop.said("shop", "send", "recipes", "--why", "first list", "--file", str(file))
    assert "recipes, revision 1, for all units of invented-shop: 1 approved, 0 retired" in told
    assert "was taken: plate-a-fine@1 approved" in unit.said("shop", "take", str(file))
    assert "holds here already" in unit.said("shop", "take", str(file))
    file.write_bytes(file.read_bytes().replace(b"first list", b"other list"))
    refused = unit.run("shop", "take", str(file))
    assert refused.exit_code == 1 and "it is not what the shop signed" in refused.stderr
    told = json.loads(unit.run("shop", "take", str(file), "--json").stdout)
    assert told["taken"] is False and "was changed" in told["text"]
    (sent,) = json.loads(shop.said("shop", "sent", "--json"))["sent"]
    assert (sent["kind"], sent["revision"], sent["unit"]) == ("recipes", 1, None)
    assert "recipes, revision 1, for all units" in shop.said("shop", "sent")


def test_people_and_calibrations_go_the_same_way(
    shop: Computer, unit: Computer, tmp_path: Path
) -> None:
    file = tmp_path / "x.note"
    missing = shop.run("shop", "send", "people", "--why", "all", "--file", str(file))
    assert missing.exit_code == 1 and "add the first lead" in missing.stderr
    with_everybody(shop.folder / "people.sqlite").close()
    told = json.loads(
        shop.said("shop", "send", "people", "--why", "all", "--file", str(file), "--json")
    )
    assert told["revision"] == 1 and told["broker"] is False
    unit.said("shop", "take", str(file))
    with people_at(unit.folder / "people.sqlite") as people:
        assert len(people.log.people()) == 3
    from dataclasses import replace

    from calibrations.make import approved

    config = config_for(tmp_path)
    with CalibrationStore.open(shop.folder / "calibrations.sqlite") as store:
        approved(store, plan=replace(PLAN, settings=settings_of(config, "light 0")))
    send = ("shop", "send", "calibrations", "--why", "new head", "--file", str(file))
    assert shop.run(*send).exit_code == 2 and "--for UNIT" in shop.run(*send).stderr
    assert "light 0@1" in shop.said(*send, "--for", "unit-1")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("recipes", "--no-broker"), "--no-broker needs --file FILE"),
        (("recipes",), "no [broker] is configured: give --file FILE"),
        (("recipes", "--revision", "0"), "0"),
        (("recipes", "--file", "x", "--revision", "9007199254740992"), "give a smaller number"),
        (("recipes", "--file", "x", "--for", "a/b"), "--for: the name of a unit has"),
        (("recipes", "--file", "x", "--for", "_shop"), "--for: the name of a unit has"),
        (("recipes", "--file", "x", "--by", "A\nB"), "--by: give one line"),
        (("recipes", "--file", "x", "--why", ""), "--why: give a reason"),
        (("recipes", "--file", "x", "--why", "x" * 1001), "--why: give a reason"),
        (("lots",), "lots"),
    ],
)
def test_what_cannot_be_sent_is_said(shop: Computer, arguments, words) -> None:
    shop.said("shop", "key")
    result = shop.run("shop", "send", "--why", "why", *arguments)
    assert result.exit_code == 2 and words in result.stderr
    assert json.loads(shop.said("shop", "sent", "--json"))["sent"] == []


def test_what_was_before_does_not_hold_because_it_was_taken_once(
    shop: Computer, unit: Computer, tmp_path: Path
) -> None:
    """Tried at one unit first, then sent to all: the first one is carried there again."""
    old, new = tmp_path / "old.note", tmp_path / "new.note"
    send = ("shop", "send", "recipes", "--why", "why", "--file")
    shop.said(*send, str(old), "--for", "unit-1")
    shop.said(*send, str(new))
    unit.said("shop", "take", str(old))
    unit.said("shop", "take", str(new))
    result = unit.run("shop", "take", str(old))
    assert result.exit_code == 1 and "holds here already" not in result.output
    assert "does not hold now: revision 2 does, since" in result.stderr
    assert "holds here already" in unit.said("shop", "take", str(new))


def test_what_a_unit_says_that_cannot_be_read_is_no_silence(
    shop: Computer, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = Took(site="invented-shop", unit="unit-1", taken={}, refused=()).model_dump_json()
    at = '{"revision": 3, "key": "k", "at_utc": "0001-01-01T00:00:00Z"}'
    said = {
        "unit-1": good, "unit-2": good, "unit-3": good.replace("}", ', "more": 1}'),
        "unit-4": "nonsense", "unit-6": "",
        "unit-5": good.replace("unit-1", "unit-5").replace("{}", f'{{"recipes": {at}}}'),
    }  # fmt: skip
    events = [
        Received(f"platelink/v1/invented-shop/{unit}/took", text.encode(), 1, 1, retained=True)
        for unit, text in said.items()
    ]
    monkeypatch.setattr(broker.heard_of, "__defaults__", (0.1,))
    monkeypatch.setenv("TZ", "XXX+11")
    time.tzset()
    shop.configure('[broker]\nhost = "broker.example"\nusername = "shop"\n')
    try:
        monkeypatch.setattr(broker, "link_to", Script(events, events))
        lines = shop.said("shop", "sent").splitlines()
        told = json.loads(shop.said("shop", "sent", "--json"))["units"]
    finally:
        monkeypatch.undo()
        time.tzset()
    rows = {line.split()[0]: line for line in lines if line.startswith("unit-")}
    assert "none" in rows["unit-1"] and "not known" not in rows["unit-1"]
    assert "it says that it is invented-shop/unit-1" in rows["unit-2"]
    assert "update platelink here" in rows["unit-3"] and "none" not in rows["unit-3"]
    assert "not known" in rows["unit-4"] and "unit-6" not in rows
    assert "1-01-01" in rows["unit-5"]
    assert told["unit-1"]["taken"] == {} and "update" in told["unit-3"]["unreadable"]


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give files away")
def test_what_root_takes_belongs_to_the_daemon(
    shop: Computer, unit: Computer, tmp_path: Path
) -> None:
    file, daemon = tmp_path / "recipes.note", 54321
    shop.said("shop", "send", "recipes", "--why", "first list", "--file", str(file))
    os.chown(unit.folder, daemon, daemon)
    unit.said("shop", "take", str(file))
    made = {path.name: path.stat().st_uid for path in unit.folder.iterdir()}
    assert made.pop("platelink.toml") == 0  # was there before, and is none of the stores
    assert made.keys() == {"recipes.sqlite", "journal.shop", "journal.shop.lock"}
    assert set(made.values()) == {daemon}


def test_without_a_key_nothing_is_signed_and_nothing_taken(shop: Computer, tmp_path: Path) -> None:
    file = tmp_path / "x.note"
    result = shop.run("shop", "send", "recipes", "--why", "why", "--file", str(file))
    assert result.exit_code == 1 and "platelink shop key" in result.stderr
    with RecipeStore.open(shop.folder / "recipes.sqlite") as store:
        file.write_bytes(note(recipes_of(store), OTHER_KEY))
    result = shop.run("shop", "take", str(file))
    assert result.exit_code == 2 and "enter the shop's key under [shop] keys first" in result.stderr
