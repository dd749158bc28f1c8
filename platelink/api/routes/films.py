"""Artwork films."""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum

from fastapi import APIRouter
from pydantic import ValidationError

from platelink.api.context import Asking, Context, Here
from platelink.api.routes.supplies import day_of, wrong
from platelink.api.stores import found, reading, writing
from platelink.api.views import film_view, history_view
from platelink.contract.stock import (
    Film,
    FilmChange,
    FilmClosed,
    Films,
    FilmUsed,
    FilmWhole,
    NewFilm,
)
from platelink.recipe import supplies as recipe_stock
from platelink.recipe.entries import About
from platelink.recipe.shelf import Shelf
from platelink.recipe.supplies import FilmNow, film_of

router = APIRouter()
FILMS: list[str | Enum] = ["films"]


def _film(here: Context, now: FilmNow) -> Film:
    return film_view(now, today=here.today(), least_density=here.settings.least_film_density)


@router.get("/v1/films", tags=FILMS)
def films(here: Here) -> Films:
    """All films as they are now, in the order they were added."""
    with reading(here) as store:
        return Films(films=[_film(here, now) for now in store.shelf.films()] if store else [])


@router.get("/v1/films/{name}", tags=FILMS)
def film(name: str, here: Here) -> FilmWhole:
    """One film, and everything that was done to it; a use names the plate it was for."""
    with reading(here) as store:
        now = found(store, lambda s: s.shelf.film(name))
        assert store is not None
        history = history_view(store.log.history(About.FILM, name))
        return FilmWhole(**dict(_film(here, now)), history=history)


@router.post("/v1/films", tags=FILMS)
def add_film(body: NewFilm, here: Here, who: Asking) -> Film:
    """Record a film."""
    day_of(body.made_on)
    values = body.model_dump()
    try:
        new = film_of(values)
    except ValidationError as error:
        raise wrong(recipe_stock.Film, values, error) from None
    with writing(here) as store:
        return _film(here, store.shelf.add_film(new, here.by(who)))


def _at_film(here: Context, name: str, act: Callable[[Shelf], FilmNow]) -> Film:
    with writing(here) as store:
        found(store, lambda s: s.shelf.film(name))
        return _film(here, act(store.shelf))


@router.post("/v1/films/{name}/use", tags=FILMS)
def use_film(name: str, body: FilmUsed, here: Here, who: Asking) -> Film:
    """Count one use."""
    by = here.by(who, body.why)
    return _at_film(here, name, lambda s: s.use_film(name, by, ref=body.ref))


@router.post("/v1/films/{name}/change", tags=FILMS)
def change_film(name: str, body: FilmChange, here: Here, who: Asking) -> Film:
    """Another density, limit of uses or note, with the reason."""
    changes = body.given(without="why")
    return _at_film(here, name, lambda s: s.change_film(name, changes, here.by(who, body.why)))


@router.post("/v1/films/{name}/close", tags=FILMS)
def close_film(name: str, body: FilmClosed, here: Here, who: Asking) -> Film:
    """The film is used no more, with the reason."""

    def close(shelf: Shelf) -> FilmNow:
        shelf.close_thing(About.FILM, name, here.by(who, body.why))
        return shelf.film(name)

    return _at_film(here, name, close)
