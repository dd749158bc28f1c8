"""What the client says of lots, screens, films and maintenance."""

from __future__ import annotations

from typing import Protocol, TypeVar
from urllib.parse import quote

from platelink.contract.base import Answer, Request
from platelink.contract.stock import (
    FILM_ACTS,
    LOT_ACTS,
    SCREEN_ACTS,
    AtFilm,
    AtLot,
    AtScreen,
    Film,
    Films,
    FilmWhole,
    Lot,
    Lots,
    LotWhole,
    NewFilm,
    NewLot,
    NewScreen,
    Screen,
    Screens,
    ScreenWhole,
)
from platelink.contract.upkeep import ITEM_ACTS, AtItem, Item, Items, ItemWhole, NewItem

_A = TypeVar("_A", bound=Answer)


def part(name: str) -> str:
    """A name as part of a path."""
    return quote(name, safe="")


class Get(Protocol):
    """Asks for an answer."""

    def __call__(self, answer: type[_A], path: str) -> _A: ...


class Post(Protocol):
    """Does something, and reads the answer."""

    def __call__(self, answer: type[_A], path: str, body: Request) -> _A: ...


class StockCalls:
    """Of one client, by its ways to ask and to do."""

    def __init__(self, get: Get, post: Post) -> None:
        self._get = get
        self._post = post

    def lots(self) -> list[Lot]:
        """All lots."""
        return self._get(Lots, "/lots").lots

    def lot(self, name: str) -> LotWhole:
        """One lot, with its history."""
        return self._get(LotWhole, f"/lots/{part(name)}")

    def add_lot(self, lot: NewLot) -> Lot:
        """Record a delivered lot."""
        return self._post(Lot, "/lots", lot)

    def at_lot(self, name: str, what: AtLot) -> Lot:
        """Open, use, count, change or close a lot."""
        return self._post(Lot, f"/lots/{part(name)}/{LOT_ACTS[type(what)]}", what)

    def screens(self) -> list[Screen]:
        """All screens."""
        return self._get(Screens, "/screens").screens

    def screen(self, name: str) -> ScreenWhole:
        """One screen, with its history."""
        return self._get(ScreenWhole, f"/screens/{part(name)}")

    def add_screen(self, screen: NewScreen) -> Screen:
        """Record a screen."""
        return self._post(Screen, "/screens", screen)

    def at_screen(self, name: str, what: AtScreen) -> Screen:
        """Use, change or close a screen."""
        act = SCREEN_ACTS[type(what)]
        return self._post(Screen, f"/screens/{part(name)}/{act}", what)

    def films(self) -> list[Film]:
        """All films."""
        return self._get(Films, "/films").films

    def film(self, name: str) -> FilmWhole:
        """One film, with its history."""
        return self._get(FilmWhole, f"/films/{part(name)}")

    def add_film(self, film: NewFilm) -> Film:
        """Record a film."""
        return self._post(Film, "/films", film)

    def at_film(self, name: str, what: AtFilm) -> Film:
        """Use, change or close a film."""
        return self._post(Film, f"/films/{part(name)}/{FILM_ACTS[type(what)]}", what)

    def items(self) -> list[Item]:
        """All items of maintenance, what is due first."""
        return self._get(Items, "/maintenance").items

    def item(self, name: str) -> ItemWhole:
        """One item, with its history."""
        return self._get(ItemWhole, f"/maintenance/{part(name)}")

    def add_item(self, item: NewItem) -> Item:
        """Say what is to be done again and again."""
        return self._post(Item, "/maintenance", item)

    def at_item(self, name: str, what: AtItem) -> Item:
        """It was done; change or close it."""
        return self._post(Item, f"/maintenance/{part(name)}/{ITEM_ACTS[type(what)]}", what)
