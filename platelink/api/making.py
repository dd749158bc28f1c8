"""What a plate is made by: its recipe, lot, film and screens, and what stands against them."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from datetime import date

from platelink.api.errors import ApiError
from platelink.api.stores import found
from platelink.contract.plates import NewPlate
from platelink.contract.wire import Ages, OnBed
from platelink.ledger.by import By
from platelink.ledger.errors import StoreRefused
from platelink.recipe.life import Revision, State
from platelink.recipe.model import Recipe
from platelink.recipe.store import RecipeStore
from platelink.recipe.supplies import (
    NO_LOT,
    Expired,
    Finding,
    film_findings,
    lot_findings,
    never_opened,
    screen_findings,
    unknown_film,
    unknown_lot,
)


@dataclass(frozen=True, slots=True)
class Making:
    """A plate about to be made."""

    revision: Revision
    recipe: Recipe
    findings: tuple[Finding, ...]
    on_bed: OnBed | None = None
    ages: Ages | None = None


def looked_up(
    store: RecipeStore | None, request: NewPlate, *, today: date, expired: Expired,
    least_density: float | None = None,
) -> Making:  # fmt: skip
    """Recipe, lot, film and screens of a request; ``ApiError`` when one of them is not there."""
    revision = found(store, lambda s: s.find(request.recipe))
    assert store is not None
    recipe = store.recipe(revision)
    findings = (
        *_of_revision(revision),
        *_of_lot(store, recipe, request, today=today, expired=expired),
        *_of_film(store, request, today=today, least_density=least_density),
        *_of_screens(store, recipe),
    )
    return Making(revision, recipe, findings)


def refuse_blocked(making: Making) -> None:
    """``ApiError`` when something stands against the plate that nobody may pass over."""
    blocking = [finding.text for finding in making.findings if finding.blocks]
    if blocking:
        raise ApiError("; ".join(blocking), "refused")


def ask_first(making: Making, accepted: Container[str], why: str) -> None:
    """``ApiError`` with what a person has to accept first: it goes on record as they read it, and
    where one is owed with the reason."""
    asked = [one for one in making.findings if one.asks and one.name not in accepted]
    owed = any(one.owes_why for one in making.findings) and not why.strip()
    if asked:
        names = tuple(one.name for one in asked)
        raise ApiError("\n".join(one.text for one in asked), "refused", asks=names, asks_why=owed)
    if owed:
        which = ", ".join(one.name for one in making.findings if one.owes_why)
        raise ApiError(f"say why the plate is made all the same ({which})", "refused")


def told_findings(making: Making, who: str, why: str) -> tuple[str, ...]:
    """As the plate's record has them: an override with who and why."""
    return tuple(
        f"{one.text}; made all the same by {who}: {why.strip()}" if one.owes_why else one.text
        for one in making.findings
    )


def count_uses(store: RecipeStore, making: Making, request: NewPlate, plate: str, by: By) -> None:
    """The sheet is cut and the screens are taken: each is counted once for this plate."""
    if request.lot is not None and request.area_cm2 is not None:
        store.shelf.use_lot(request.lot, request.area_cm2, by, ref=plate)
    if request.film in {now.film.name for now in store.shelf.films()}:
        assert request.film is not None
        store.shelf.use_film(request.film, by, ref=plate)
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
    if (unopened := never_opened(lot)) is not None:
        yield unopened


def _of_film(
    store: RecipeStore, request: NewPlate, *, today: date, least_density: float | None
) -> Iterator[Finding]:
    if request.film is None:
        return
    films = {now.film.name: now for now in store.shelf.films()}
    film = films.get(request.film)
    if film is None:
        there = (name for name, now in films.items() if now.closed is None)
        yield unknown_film(request.film, there)
        return
    yield from film_findings(film, least_density=least_density, today=today)


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
