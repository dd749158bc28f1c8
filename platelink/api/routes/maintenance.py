"""Maintenance: what is due, and that it was done."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from enum import Enum

from fastapi import APIRouter
from pydantic import ValidationError

from platelink.api.context import Asking, Context, Here
from platelink.api.errors import ApiError
from platelink.api.routes.device import sensors_now
from platelink.api.routes.supplies import day_of, wrong
from platelink.api.stores import found, journal, reading, writing
from platelink.api.upkeep import calibrations_due, due_first, items_view
from platelink.api.views import history_view
from platelink.contract.upkeep import (
    Item,
    ItemChange,
    ItemClosed,
    ItemDone,
    Items,
    ItemWhole,
    NewItem,
)
from platelink.finding.due import nothing_measures
from platelink.recipe import upkeep
from platelink.recipe.entries import About
from platelink.recipe.shelf import Shelf
from platelink.recipe.upkeep import ItemNow, item_of
from platelink.record.uses import EVER, uses_since

router = APIRouter()
MAINTENANCE: list[str | Enum] = ["maintenance"]


def _views(here: Context, items: tuple[ItemNow, ...]) -> list[Item]:
    if here.settings.journal.exists():
        with journal(here) as reader:
            return items_view(items, reader, at_utc=here.now())
    return items_view(items, None, at_utc=here.now())


def _view(here: Context, now: ItemNow) -> Item:
    return _views(here, (now,))[0]


@router.get("/v1/maintenance", tags=MAINTENANCE)
def items(here: Here) -> Items:
    """Everything that is to be done again and again, counted from the record; what is due first.
    Calibrations are among them, by their own dates."""
    with reading(here) as store:
        known = store.shelf.items() if store else ()
    sensors = calibrations_due(sensors_now(here), today=here.today())
    return Items(items=due_first([*_views(here, known), *sensors]))


@router.get("/v1/maintenance/{name}", tags=MAINTENANCE)
def item(name: str, here: Here) -> ItemWhole:
    """One item, and everything that was done to it."""
    with reading(here) as store:
        now = found(store, lambda s: s.shelf.item(name))
        assert store is not None
        history = history_view(store.log.history(About.ITEM, name))
    return ItemWhole(**dict(_view(here, now)), history=history)


@router.post("/v1/maintenance", tags=MAINTENANCE)
def add_item(body: NewItem, here: Here, who: Asking) -> Item:
    """Say what is to be done again and again. An interval that nothing measures is refused."""
    if body.last_done_on is not None:
        day_of(body.last_done_on)
    values = body.model_dump()
    try:
        new = item_of(values)
    except ValidationError as error:
        raise wrong(upkeep.Item, values, error) from None
    _must_be_measured(here, new)
    with writing(here) as store:
        return _view(here, store.shelf.add_item(new, here.by(who)))


def _must_be_measured(here: Context, item: upkeep.Item) -> None:
    if not here.settings.journal.exists():
        return
    with journal(here) as reader:
        text = nothing_measures(item, uses_since(reader, EVER))
    if text:
        raise ApiError(text, "refused")


def _at_item(here: Context, name: str, act: Callable[[Shelf], ItemNow]) -> Item:
    with writing(here) as store:
        found(store, lambda s: s.shelf.item(name))
        now = act(store.shelf)
    return _view(here, now)


@router.post("/v1/maintenance/{name}/done", tags=MAINTENANCE)
def item_done(name: str, body: ItemDone, here: Here, who: Asking) -> Item:
    """It was done now; what it is counted by starts over."""
    return _at_item(here, name, lambda s: s.item_done(name, here.by(who, body.note)))


@router.post("/v1/maintenance/{name}/change", tags=MAINTENANCE)
def change_item(name: str, body: ItemChange, here: Here, who: Asking) -> Item:
    """Other intervals or another note, with the reason."""
    changes = body.given(without="why")
    with reading(here) as store:
        now = found(store, lambda s: s.shelf.item(name))
    with suppress(ValidationError):  # what cannot be is refused below, with the reason
        _must_be_measured(here, item_of(now.item.model_dump(mode="json") | changes))
    return _at_item(here, name, lambda s: s.change_item(name, changes, here.by(who, body.why)))


@router.post("/v1/maintenance/{name}/close", tags=MAINTENANCE)
def close_item(name: str, body: ItemClosed, here: Here, who: Asking) -> Item:
    """It is looked after no more, with the reason."""

    def close(shelf: Shelf) -> ItemNow:
        shelf.close_thing(About.ITEM, name, here.by(who, body.why))
        return shelf.item(name)

    return _at_item(here, name, close)
