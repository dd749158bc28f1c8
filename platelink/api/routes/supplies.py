"""Lots of plate stock, and line screens."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from enum import Enum

from fastapi import APIRouter
from pydantic import ValidationError

from platelink.api.context import Asking, Context, Here
from platelink.api.errors import ApiError
from platelink.api.stores import found, reading, writing
from platelink.api.views import history_view, lot_view, screen_view
from platelink.contract.base import Json
from platelink.contract.stock import (
    Lot,
    LotChange,
    LotClosed,
    LotCounted,
    LotOpened,
    Lots,
    LotStored,
    LotUsed,
    LotWhole,
    NewLot,
    NewScreen,
    Screen,
    ScreenChange,
    ScreenClosed,
    Screens,
    ScreenUsed,
    ScreenWhole,
)
from platelink.forms.keys import Section
from platelink.forms.problems import Reading
from platelink.recipe import supplies as recipe_stock
from platelink.recipe.entries import About
from platelink.recipe.shelf import Shelf
from platelink.recipe.supplies import (
    LotNow,
    ScreenNow,
    lot_of,
)

router = APIRouter()
LOTS: list[str | Enum] = ["lots"]
SCREENS: list[str | Enum] = ["screens"]


def _lot(here: Context, now: LotNow) -> Lot:
    return lot_view(now, today=here.today(), expired=here.settings.expired_lot)


def day_of(text: str) -> date:
    """A day; ``ApiError`` for what is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ApiError(f"'{text}' is not a date such as 2026-03-02", "misuse") from None


# --- lots ------------------------------------------------------------------------------------


@router.get("/v1/lots", tags=LOTS)
def lots(here: Here) -> Lots:
    """All lots as they are now, in the order they were added."""
    with reading(here) as store:
        return Lots(lots=[_lot(here, now) for now in store.shelf.lots()] if store else [])


@router.get("/v1/lots/{name}", tags=LOTS)
def lot(name: str, here: Here) -> LotWhole:
    """One lot, and everything that was done to it."""
    with reading(here) as store:
        now = found(store, lambda s: s.shelf.lot(name))
        assert store is not None
        history = history_view(store.log.history(About.LOT, name))
        return LotWhole(**dict(_lot(here, now)), history=history)


@router.post("/v1/lots", tags=LOTS)
def add_lot(body: NewLot, here: Here, who: Asking) -> Lot:
    """Record a delivered lot."""
    for day in (body.received_on, body.best_before):
        if day is not None:
            day_of(day)
    values = body.model_dump()
    try:
        new = lot_of(values)
    except ValidationError as error:
        raise wrong(recipe_stock.Lot, values, error) from None
    with writing(here) as store:
        return _lot(here, store.shelf.add_lot(new, here.by(who)))


def _at_lot(here: Context, name: str, act: Callable[[Shelf], LotNow]) -> Lot:
    with writing(here) as store:
        found(store, lambda s: s.shelf.lot(name))
        return _lot(here, act(store.shelf))


@router.post("/v1/lots/{name}/open", tags=LOTS)
def open_lot(name: str, body: LotOpened, here: Here, who: Asking) -> Lot:
    """The lot's package was opened; once."""
    day = here.today() if body.opened_on is None else day_of(body.opened_on)
    return _at_lot(here, name, lambda s: s.open_lot(name, day, here.by(who, body.why)))


@router.post("/v1/lots/{name}/use", tags=LOTS)
def use_lot(name: str, body: LotUsed, here: Here, who: Asking) -> Lot:
    """Take area off the lot."""
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.use_lot(name, body.area_cm2, by, ref=body.ref))


@router.post("/v1/lots/{name}/count", tags=LOTS)
def count_lot(name: str, body: LotCounted, here: Here, who: Asking) -> Lot:
    """The area left, as somebody found it."""
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.count_lot(name, body.area_cm2, by))


@router.post("/v1/lots/{name}/stored", tags=LOTS)
def stored_lot(name: str, body: LotStored, here: Here, who: Asking) -> Lot:
    """What was read where the lot is stored."""
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.read_store(name, body.temp_c, body.rh_pct, by))


@router.post("/v1/lots/{name}/change", tags=LOTS)
def change_lot(name: str, body: LotChange, here: Here, who: Asking) -> Lot:
    """Another best-before date, limit of its store or of its days open, or note, with the
    reason."""
    if body.best_before is not None:
        day_of(body.best_before)
    changes = body.given(without="why")
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.change_lot(name, changes, by))


@router.post("/v1/lots/{name}/close", tags=LOTS)
def close_lot(name: str, body: LotClosed, here: Here, who: Asking) -> Lot:
    """The lot is used no more, with the reason."""

    def close(shelf: Shelf) -> LotNow:
        shelf.close_thing(About.LOT, name, here.by(who, body.why))
        return shelf.lot(name)

    return _at_lot(here, name, close)


# --- screens ---------------------------------------------------------------------------------


@router.get("/v1/screens", tags=SCREENS)
def screens(here: Here) -> Screens:
    """All screens as they are now, in the order they were added."""
    with reading(here) as store:
        return Screens(screens=[screen_view(now) for now in store.shelf.screens()] if store else [])


@router.get("/v1/screens/{name}", tags=SCREENS)
def screen(name: str, here: Here) -> ScreenWhole:
    """One screen, and everything that was done to it."""
    with reading(here) as store:
        now = found(store, lambda s: s.shelf.screen(name))
        assert store is not None
        history = history_view(store.log.history(About.SCREEN, name))
        return ScreenWhole(**dict(screen_view(now)), history=history)


@router.post("/v1/screens", tags=SCREENS)
def add_screen(body: NewScreen, here: Here, who: Asking) -> Screen:
    """Record a screen."""
    values = body.model_dump()
    try:
        new = recipe_stock.Screen.model_validate(values)
    except ValidationError as error:
        raise wrong(recipe_stock.Screen, values, error) from None
    with writing(here) as store:
        return screen_view(store.shelf.add_screen(new, here.by(who)))


def _at_screen(here: Context, name: str, act: Callable[[Shelf], ScreenNow]) -> Screen:
    with writing(here) as store:
        found(store, lambda s: s.shelf.screen(name))
        return screen_view(act(store.shelf))


@router.post("/v1/screens/{name}/use", tags=SCREENS)
def use_screen(name: str, body: ScreenUsed, here: Here, who: Asking) -> Screen:
    """Count one use."""
    by = here.by(who, body.why)
    return _at_screen(here, name, lambda s: s.use_screen(name, by, ref=body.ref))


@router.post("/v1/screens/{name}/change", tags=SCREENS)
def change_screen(name: str, body: ScreenChange, here: Here, who: Asking) -> Screen:
    """Another limit of uses or note, with the reason."""
    changes = body.given(without="why")
    return _at_screen(here, name, lambda s: s.change_screen(name, changes, here.by(who, body.why)))


@router.post("/v1/screens/{name}/close", tags=SCREENS)
def close_screen(name: str, body: ScreenClosed, here: Here, who: Asking) -> Screen:
    """The screen is used no more, with the reason."""

    def close(shelf: Shelf) -> ScreenNow:
        shelf.close_thing(About.SCREEN, name, here.by(who, body.why))
        return shelf.screen(name)

    return _at_screen(here, name, close)


def wrong(
    model: type[Section],
    values: Json,
    error: ValidationError,
) -> ApiError:
    """Everything that is wrong with what was given, as an answer."""
    problems = Reading(model, values, model.__name__.lower()).problems(error)
    return ApiError("\n".join(map(str, problems)), "misuse")
