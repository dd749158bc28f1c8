"""Lots of plate stock, and line screens."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from enum import Enum
from typing import Any

from fastapi import APIRouter
from pydantic import ValidationError

from platelink.api import shapes
from platelink.api.bodies import (
    AreaBody,
    CountBody,
    LotBody,
    LotChange,
    OpenBody,
    ScreenBody,
    ScreenChange,
    UseBody,
    WhyBody,
)
from platelink.api.context import Asking, Context, Here
from platelink.api.errors import ApiError
from platelink.api.shapes import told
from platelink.api.stores import found, reading, writing
from platelink.api.views import history_view, lot_view, screen_view
from platelink.forms.problems import Reading
from platelink.recipe.entries import About
from platelink.recipe.store import RecipeStore
from platelink.recipe.supplies import (
    Lot,
    LotNow,
    Screen,
    ScreenNow,
    lot_findings,
    lot_of,
    screen_findings,
)

router = APIRouter()
LOTS: list[str | Enum] = ["lots"]
SCREENS: list[str | Enum] = ["screens"]
Line = dict[str, Any]


def _lot(here: Context, now: LotNow) -> Line:
    found = lot_findings(
        now, stock=None, area_cm2=0.0, today=here.today(), expired=here.settings.expired_lot
    )
    return lot_view(now, found)


def _screen(now: ScreenNow) -> Line:
    return screen_view(now, screen_findings(now, wanted=None))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ApiError(f"'{text}' is not a date such as 2026-03-02", "misuse") from None


# --- lots ------------------------------------------------------------------------------------


@router.get("/v1/lots", tags=LOTS, responses=told(shapes.Lots))
def lots(here: Here) -> Line:
    """All lots as they are now, in the order they were added."""
    with reading(here) as store:
        return {"lots": [] if store is None else [_lot(here, now) for now in store.lots()]}


@router.get("/v1/lots/{name}", tags=LOTS, responses=told(shapes.LotWhole))
def lot(name: str, here: Here) -> Line:
    """One lot, and everything that was done to it."""
    with reading(here) as store:
        now = found(store, lambda s: s.lot(name))
        assert store is not None
        return _lot(here, now) | {"history": history_view(store.history(About.LOT, name))}


@router.post("/v1/lots", tags=LOTS, responses=told(shapes.Lot))
def add_lot(body: LotBody, here: Here, who: Asking) -> Line:
    """A lot that came."""
    values = body.model_dump()
    for name in ("received_on", "best_before"):
        if values[name] is not None:
            _day(values[name])
    try:
        new = lot_of(values)
    except ValidationError as error:
        raise _wrong(Lot, values, error) from None
    with writing(here) as store:
        return _lot(here, store.add_lot(new, here.by(who)))


def _at_lot(here: Context, name: str, act: Callable[[RecipeStore], LotNow]) -> Line:
    with writing(here) as store:
        found(store, lambda s: s.lot(name))
        return _lot(here, act(store))


@router.post("/v1/lots/{name}/open", tags=LOTS, responses=told(shapes.Lot))
def open_lot(name: str, body: OpenBody, here: Here, who: Asking) -> Line:
    """The lot's package was opened; once."""
    day = here.today() if body.opened_on is None else _day(body.opened_on)
    return _at_lot(here, name, lambda s: s.open_lot(name, day, here.by(who, body.why)))


@router.post("/v1/lots/{name}/use", tags=LOTS, responses=told(shapes.Lot))
def use_lot(name: str, body: AreaBody, here: Here, who: Asking) -> Line:
    """Take area off the lot."""
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.use_lot(name, body.area_cm2, by, ref=body.ref))


@router.post("/v1/lots/{name}/count", tags=LOTS, responses=told(shapes.Lot))
def count_lot(name: str, body: CountBody, here: Here, who: Asking) -> Line:
    """The area left, as somebody found it."""
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.count_lot(name, body.area_cm2, by))


@router.post("/v1/lots/{name}/change", tags=LOTS, responses=told(shapes.Lot))
def change_lot(name: str, body: LotChange, here: Here, who: Asking) -> Line:
    """Another best-before date or note, with the reason."""
    changes = body.given()
    changes.pop("why")
    if changes.get("best_before") is not None:
        _day(changes["best_before"])
    by = here.by(who, body.why)
    return _at_lot(here, name, lambda s: s.change_lot(name, changes, by))


@router.post("/v1/lots/{name}/close", tags=LOTS, responses=told(shapes.Lot))
def close_lot(name: str, body: WhyBody, here: Here, who: Asking) -> Line:
    """The lot is used no more, with the reason."""

    def close(store: RecipeStore) -> LotNow:
        store.close_thing(About.LOT, name, here.by(who, body.why))
        return store.lot(name)

    return _at_lot(here, name, close)


# --- screens ---------------------------------------------------------------------------------


@router.get("/v1/screens", tags=SCREENS, responses=told(shapes.Screens))
def screens(here: Here) -> Line:
    """All screens as they are now, in the order they were added."""
    with reading(here) as store:
        return {"screens": [] if store is None else [_screen(now) for now in store.screens()]}


@router.get("/v1/screens/{name}", tags=SCREENS, responses=told(shapes.ScreenWhole))
def screen(name: str, here: Here) -> Line:
    """One screen, and everything that was done to it."""
    with reading(here) as store:
        now = found(store, lambda s: s.screen(name))
        assert store is not None
        return _screen(now) | {"history": history_view(store.history(About.SCREEN, name))}


@router.post("/v1/screens", tags=SCREENS, responses=told(shapes.Screen))
def add_screen(body: ScreenBody, here: Here, who: Asking) -> Line:
    """A screen to be used."""
    values = body.model_dump()
    try:
        new = Screen.model_validate(values)
    except ValidationError as error:
        raise _wrong(Screen, values, error) from None
    with writing(here) as store:
        return _screen(store.add_screen(new, here.by(who)))


def _at_screen(here: Context, name: str, act: Callable[[RecipeStore], ScreenNow]) -> Line:
    with writing(here) as store:
        found(store, lambda s: s.screen(name))
        return _screen(act(store))


@router.post("/v1/screens/{name}/use", tags=SCREENS, responses=told(shapes.Screen))
def use_screen(name: str, body: UseBody, here: Here, who: Asking) -> Line:
    """Count one use."""
    by = here.by(who, body.why)
    return _at_screen(here, name, lambda s: s.use_screen(name, by, ref=body.ref))


@router.post("/v1/screens/{name}/change", tags=SCREENS, responses=told(shapes.Screen))
def change_screen(name: str, body: ScreenChange, here: Here, who: Asking) -> Line:
    """Another limit of uses or note, with the reason."""
    changes = body.given()
    changes.pop("why")
    return _at_screen(here, name, lambda s: s.change_screen(name, changes, here.by(who, body.why)))


@router.post("/v1/screens/{name}/close", tags=SCREENS, responses=told(shapes.Screen))
def close_screen(name: str, body: WhyBody, here: Here, who: Asking) -> Line:
    """The screen is used no more, with the reason."""

    def close(store: RecipeStore) -> ScreenNow:
        store.close_thing(About.SCREEN, name, here.by(who, body.why))
        return store.screen(name)

    return _at_screen(here, name, close)


def _wrong(model: type[Lot | Screen], values: Line, error: ValidationError) -> ApiError:
    problems = Reading(model, values, model.__name__.lower()).problems(error)
    return ApiError("\n".join(map(str, problems)), "misuse")
