"""One place for all, with a real broker and its access list, real daemons and real commands."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from distribution.made import BY, approve, people_at
from people.make import LEAD, OPERATOR, SECRET
from recipe.make import plate, with_step

from platelink.contract.words import Role
from platelink.distribution.broker import heard_of
from platelink.publish.services import BrokerService
from platelink.recipe.store import RecipeStore
from platelink.record.reader import JournalReader
from platelink.simulated.harness import configuration
from platesim.unit import UnitParameters

SITE = "invented-shop"
UNITS = ("unit-1", "unit-2")
LONGEST_S = 180.0
pytestmark = [
    pytest.mark.timeout(900),
    pytest.mark.system,
    pytest.mark.skipif(BrokerService.find() is None, reason="needs: apt-get install mosquitto"),
]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerService]:
    service = BrokerService(tmp_path / "broker", *(f"{SITE}/{unit}" for unit in UNITS), "shop")
    service.start()
    yield service
    service.stop()


class Computer:
    """A configuration in a folder of its own, its commands, its daemon."""

    def __init__(self, folder: Path, unit: str, broker: BrokerService, shop: str) -> None:
        folder.mkdir()
        self.folder, self.file = folder, folder / "platelink.toml"
        self._text = configuration(
            UnitParameters(), unit=unit, site=SITE, port=str(folder / "no-device"),
            journal=folder / "journal.sqlite", expected_mw_cm2=7.0,
        )  # fmt: skip
        user = f"{SITE}/{unit}" if unit in UNITS else "reader"
        self._text += broker.section(user).partition("\n\n")[0] + "\n"
        self.configure(shop)

    def configure(self, shop: str) -> None:
        self.file.write_text(f"{self._text}\n[shop]\n{shop}", "utf-8")

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "platelink", "--config", str(self.file), *arguments]
        return subprocess.run(
            command, capture_output=True, text=True, check=False, timeout=300, env=os.environ
        )

    def good(self, *arguments: str) -> str:
        done = self.run(*arguments)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def serve(self, stack: ExitStack) -> None:
        log = stack.enter_context((self.folder / "log").open("ab"))
        command = [sys.executable, "-m", "platelink", "--config", str(self.file), "serve"]
        child = subprocess.Popen(command, stdout=log, stderr=log, env=os.environ)
        stack.callback(child.wait, 60)
        stack.callback(child.terminate)

    def events(self) -> list[str]:
        """Texts of what the record has of the shop."""
        with JournalReader.open(self.folder / "journal.sqlite") as reader:
            every = reader.unit_events(limit=1000)
        return [one.text for one in reversed(every) if one.name == "sent by the shop"]


def took(broker: BrokerService) -> dict[str, Any]:
    units = heard_of(broker.settings("shop"), SITE, hear_s=0.5)
    return {name: one.model_dump(mode="json") for name, one in units.items()}


def until(look: Callable[[], object], what: str) -> None:
    deadline = time.monotonic() + LONGEST_S
    while not look():
        assert time.monotonic() < deadline, what
        time.sleep(0.5)


def test_from_one_place_to_two_units_past_whoever_may_not(
    broker: BrokerService, tmp_path: Path
) -> None:
    password = f'password = "{broker.passwords["shop"]}"\n'
    shop = Computer(tmp_path / "shop", "office", broker, password)
    line = json.loads(shop.good("shop", "key", "--json"))["key"]
    keys = f'keys = ["{line}"]\npeople_key_file = "{shop.folder}/shop/people.key"\n'
    one, two = (Computer(tmp_path / unit, unit, broker, keys) for unit in UNITS)
    with RecipeStore.open(shop.folder / "recipes.sqlite") as store:
        approve(store, plate())
    with people_at(shop.folder / "people.sqlite") as people:
        people.add_first(LEAD, SECRET[LEAD], BY)
        people.add(OPERATOR, Role.OPERATOR, SECRET[OPERATOR], BY)
    send = ("shop", "send", "recipes", "--why", "first list")

    with ExitStack() as stack:
        one.serve(stack)  # two is off

        # A unit's own user, with the very key: the broker takes nothing of it.
        shop.configure(
            f'username = "{SITE}/unit-1"\npassword = "{broker.passwords[f"{SITE}/unit-1"]}"\n'
        )
        refused = shop.run(*send)
        assert refused.returncode == 1 and "may not write it" in refused.stderr
        assert json.loads(shop.good("shop", "sent", "--json"))["sent"] == []
        shop.configure(password)

        # The broker's right, and another key: the unit takes nothing of it.
        forger = Computer(tmp_path / "forger", "office", broker, password)
        forger.good("shop", "key")
        step = next(one.name for one in plate().step if one.kind == "expose")
        with RecipeStore.open(forger.folder / "recipes.sqlite") as store:
            approve(store, with_step(plate(), step, dose_mj_cm2=217.0))
        forger.good("shop", "send", "recipes", "--why", "forged", "--revision", "99")
        sentence = (
            f"platelink/v1/{SITE}/_shop/recipes was refused: it is not signed by the shop's key. "
            "If the shop has a new key, enter it under [shop] keys; if not, find out who can "
            "write there"
        )
        until(
            lambda: (
                [r["text"] for r in took(broker).get("unit-1", {}).get("refused", [])] == [sentence]
            ),
            "unit-1 refuses the forged revision",
        )
        until(lambda: one.events() == [sentence], "the refusal is in the record")
        assert not (one.folder / "recipes.sqlite").exists()

        # The shop's own.
        assert "the broker has it" in shop.good(*send)
        assert "2 active, 0 deactivated" in shop.good("shop", "send", "people", "--why", "all")

        def revisions(unit: str) -> dict[str, int]:
            taken = took(broker).get(unit, {}).get("taken", {})
            return {kind: value["revision"] for kind, value in taken.items()}

        newest = {"recipes": 1, "people": 1}
        until(lambda: revisions("unit-1") == newest, "unit-1 takes what the shop signed")
        assert took(broker)["unit-1"]["refused"] == []
        assert revisions("unit-2") == {}
        two.serve(stack)
        until(lambda: revisions("unit-2") == newest, "unit-2 takes it when it is on")
        until(lambda: len(one.events()) == 3 and len(two.events()) == 2, "both have it on record")
        assert "recipes, revision 1 of the shop was taken" in " ".join(two.events())
    for unit in (one, two):
        with RecipeStore.open(unit.folder / "recipes.sqlite", read_only=True) as store:
            (approved,) = store.revisions(plate().id)
            assert approved.content_hash == plate().content_hash() and approved.state == "approved"
            assert approved.life[-1].who.startswith("shop: ")
        with people_at(unit.folder / "people.sqlite") as people:
            assert people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], BY.at_utc).token
    shown = shop.good("shop", "sent")
    assert json.loads(shop.good("shop", "sent", "--json"))["units"].keys() == set(UNITS)
    assert "unit-1" in shown and "unit-2" in shown and "recipes, revision 1" in shown
