"""What a plate is made by: its recipe, lot and screens, and what stands against them."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from datetime import date

from platelink.api.errors import ApiError
from platelink.api.stores import found
from platelink.contract.plates import NewPlate
from platelink.ledger.by import By
from platelink.ledger.errors import StoreRefused
from platelink.recipe.life import Revision, State
from platelink.recipe.model import Recipe
from platelink.recipe.store import RecipeStore
from platelink.recipe.supplies import (
    NO_LOT,
    Expired,
    Finding,
    lot_findings,
    screen_findings,
    unknown_lot,
)


@dataclass(frozen=True, slots=True)
class Making:
    """A plate about to be made."""

    revision: Revision
    recipe: Recipe
    findings: tuple[Finding, ...]


def looked_up(
    store: RecipeStore | None, request: NewPlate, *, today: date, expired: Expired
) -> Making:
    """Recipe, lot and screens of a request; ``ApiError`` when one of them is not there."""
    revision = found(store, lambda s: s.find(request.recipe))
    assert store is not None
    recipe = store.recipe(revision)
    findings = (
        *_of_revision(revision),
        *_of_lot(store, recipe, request, today=today, expired=expired),
        *_of_screens(store, recipe),
    )
    return Making(revision, recipe, findings)


def refuse_blocked(making: Making) -> None:
    """``ApiError`` when something stands against the plate that nobody may pass over."""
    blocking = [finding.text for finding in making.findings if finding.blocks]
    if blocking:
        raise ApiError("; ".join(blocking), "refused")


def ask_first(making: Making, accepted: Container[str]) -> None:
    """``ApiError`` with what a person has to accept first: it goes on record as they read it."""
    asked = [one for one in making.findings if one.asks and one.name not in accepted]
    if asked:
        names = tuple(one.name for one in asked)
        raise ApiError("\n".join(one.text for one in asked), "refused", asks=names)


def count_uses(store: RecipeStore, making: Making, request: NewPlate, plate: str, by: By) -> None:
    """The sheet is cut and the screens are taken: each is counted once for this plate."""
    if request.lot is not None and request.area_cm2 is not None:
        store.shelf.use_lot(request.lot, request.area_cm2, by, ref=plate)
    for name in making.recipe.screens():
        if any(now.screen.name == name for now in store.shelf.screens()):
            store.shelf.use_screen(name, by, ref=plate)


def _of_revision(revision: Revision) -> Iterator[Finding]:
    if revision.state is State.RETIRED:
        text = f"{revision.name} is retired; use an approved revision"
        yield Finding("recipe retired", True, text)
    elif revision.state is State.DRAFT:
        yield Finding("recipe is a draft", False, f"{revision.name} is a draft, not approved")


def _of_lot(
    store: RecipeStore, recipe: Recipe, request: NewPlate, *, today: date, expired: Expired
) -> Iterator[Finding]:
    if request.lot is None:
        if recipe.stock is not None:
            yield NO_LOT
        return
    lots = {now.lot.name: now for now in store.shelf.lots()}
    lot = lots.get(request.lot)
    if lot is None:
        yield unknown_lot(request.lot, (name for name, now in lots.items() if now.closed is None))
        return
    area = request.area_cm2 or 0.0
    yield from lot_findings(lot, stock=recipe.stock, area_cm2=area, today=today, expired=expired)


def _of_screens(store: RecipeStore, recipe: Recipe) -> Iterator[Finding]:
    for name in recipe.screens():
        try:
            yield from screen_findings(store.shelf.screen(name), wanted=name)
        except StoreRefused:
            text = (
                f"screen {name} is not recorded, so its uses are not counted; add it: "
                "platelink screen add"
            )
            yield Finding("screen not entered", False, text)
