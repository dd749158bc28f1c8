"""A shop and its units, for the tests. All is invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from calibrations.make import PLAN
from people.make import AUDITOR, LEAD, OPERATOR, SECRET, Counting

from platelink.calibrations.store import CalibrationStore
from platelink.contract.words import Role
from platelink.distribution.calibrations import Fits, sent_calibrations
from platelink.distribution.decide import Place
from platelink.distribution.model import Calibrations, Distribution, Recipes
from platelink.distribution.model import People as PeopleSent
from platelink.distribution.people import sent_people
from platelink.distribution.recipes import sent_recipes
from platelink.distribution.secrets import bound_to
from platelink.distribution.shop import ShopFolder
from platelink.distribution.signed import key_name, signed
from platelink.distribution.taken import State, TakenFile
from platelink.distribution.unit import Acceptor, Outcome, Settings
from platelink.evidence.keys import Signer, Verifier
from platelink.ledger.by import By
from platelink.people.hashing import Hashing
from platelink.people.store import People
from platelink.recipe.model import Recipe
from platelink.recipe.store import RecipeStore

SITE, UNIT = "invented-shop", "unit-1"
NOW = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)
PEOPLE_KEY, NONCE = bytes(range(40, 72)), bytes(range(12))


def key_of(seed: bytes, site: str = SITE) -> Signer:
    """The shop's key of this seed."""
    key = Signer.of_seed("-", seed)
    return replace(key, name=key_name(site, key.verifier.public))


SHOP_KEY, OTHER_KEY = key_of(bytes(range(32))), key_of(bytes(range(1, 33)))
BY = By("A. Example", NOW, "the new season")


def head(kind: str, revision: int = 1, **changes: Any) -> dict[str, Any]:
    return {
        "format": 1, "kind": kind, "site": SITE, "unit": None, "revision": revision, "earlier": (),
        "made_utc": NOW, "by": "S. Example", "why": "the new season",
    } | changes  # fmt: skip


def recipes_of(store: RecipeStore, revision: int = 1, **changes: Any) -> Recipes:
    recipes, retired = sent_recipes(store)
    return Recipes(**head("recipes", revision, **changes), recipes=recipes, retired=retired)


def people_of(
    store: People, revision: int = 1, key: bytes = PEOPLE_KEY, **changes: Any
) -> PeopleSent:
    values = head("people", revision, **changes)
    bound = bound_to(values["site"], values["unit"], revision)
    people, secrets = sent_people(store, key, NONCE, bound)
    return PeopleSent(**values, people=people, secrets=secrets)


def calibrations_of(store: CalibrationStore, revision: int = 1, **changes: Any) -> Calibrations:
    values = head("calibrations", revision, **({"unit": UNIT} | changes))
    return Calibrations(**values, calibrations=sent_calibrations(store))


def note(one: Distribution, *signers: Signer) -> bytes:
    return signed(one, *(signers or (SHOP_KEY,)))


def approve(store: RecipeStore, recipe: Recipe) -> str:
    return store.approve(store.add(recipe, BY).name, BY).name


def people_at(path: Path) -> People:
    """A store whose hashes cost little."""
    return People.open(path, hashing=Hashing(Counting()))


def with_everybody(path: Path) -> People:
    """The shop's own people."""
    store = people_at(path)
    store.add_first(LEAD, SECRET[LEAD], BY)
    store.add(OPERATOR, Role.OPERATOR, SECRET[OPERATOR], BY)
    store.add(AUDITOR, Role.AUDITOR, SECRET[AUDITOR], BY)
    return store


class Unit:
    """One that takes and refuses, its clock set by the test."""

    def __init__(
        self, folder: Path, *, unit: str = UNIT, site: str = SITE,
        keys: Sequence[Verifier] = (SHOP_KEY.verifier,), people_key: bytes | None = PEOPLE_KEY,
        fits: Fits = lambda calibration: "",
    ) -> None:  # fmt: skip
        folder.mkdir(exist_ok=True)
        self.now, self.file = NOW, TakenFile(folder / "journal.shop")
        self.settings = Settings(
            place=Place(site, unit), keys=tuple(keys), people_key=lambda: people_key,
            recipes=folder / "recipes.sqlite", people=folder / "people.sqlite",
            calibrations=folder / "calibrations.sqlite", fits=fits,
        )  # fmt: skip

    def take(self, data: bytes, source: str = "broker") -> Outcome:
        return Acceptor(self.settings, self.file, lambda: self.now).take(source, data)

    @property
    def state(self) -> State:
        return self.file.load()

    def later(self, **by: float) -> None:
        self.now += timedelta(**by)

    def recipes(self) -> dict[str, str]:
        """What is approved here, and its content."""
        with RecipeStore.open(self.settings.recipes) as store:
            return {
                one.recipe: one.content_hash
                for name in store.recipes()
                for one in store.revisions(name)
                if one.state == "approved"
            }

    def everybody(self) -> dict[str, tuple[str, bool]]:
        with people_at(self.settings.people) as store:
            return {one.name: (str(one.role), one.open) for one in store.log.people()}


__all__ = ["PLAN", "ShopFolder", "asdict"]
