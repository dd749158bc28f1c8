"""Lots, screens, films and maintenance in the store: what came, was used, found and done."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from pydantic import ValidationError

from platelink.contract.upkeep import SAID_BY
from platelink.ledger.by import By
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreRefused
from platelink.ledger.readable import readable
from platelink.recipe.entries import About, Act, Entry
from platelink.recipe.log import Log
from platelink.recipe.supplies import (
    FILM_CHANGES,
    LOT_CHANGES,
    SCREEN_CHANGES,
    Film,
    FilmNow,
    Lot,
    LotNow,
    Screen,
    ScreenNow,
    film_now,
    film_of,
    lot_now,
    lot_of,
    screen_now,
)
from platelink.recipe.upkeep import ITEM_CHANGES, Item, ItemNow, item_now, item_of

_CHANGES = {
    About.LOT: LOT_CHANGES, About.SCREEN: SCREEN_CHANGES, About.FILM: FILM_CHANGES,
    About.ITEM: ITEM_CHANGES,
}  # fmt: skip
_COMMANDS = {About.ITEM: "maintenance"}
_MADE: dict[About, Callable[[dict[str, Any]], object]] = {
    About.LOT: lot_of, About.SCREEN: Screen.model_validate, About.FILM: film_of,
    About.ITEM: item_of,
}  # fmt: skip


class Shelf:
    """Every act is one entry; what a thing is now is made of its entries."""

    def __init__(self, database: Database, log: Log) -> None:
        self._db = database
        self._log = log

    def lots(self) -> tuple[LotNow, ...]:
        """All lots as they are now, in the order they were added."""
        return tuple(map(self.lot, self._things(About.LOT)))

    def lot(self, name: str) -> LotNow:
        """One lot as it is now; ``StoreRefused`` when there is none."""
        entries = self._known(About.LOT, name)
        with readable(self._db.path, f"lot {name}"):
            return lot_now(entries)

    def screens(self) -> tuple[ScreenNow, ...]:
        """All screens as they are now, in the order they were added."""
        return tuple(map(self.screen, self._things(About.SCREEN)))

    def screen(self, name: str) -> ScreenNow:
        """One screen as it is now; ``StoreRefused`` when there is none."""
        entries = self._known(About.SCREEN, name)
        with readable(self._db.path, f"screen {name}"):
            return screen_now(entries)

    def films(self) -> tuple[FilmNow, ...]:
        """All films as they are now, in the order they were added."""
        return tuple(map(self.film, self._things(About.FILM)))

    def film(self, name: str) -> FilmNow:
        """One film as it is now; ``StoreRefused`` when there is none."""
        entries = self._known(About.FILM, name)
        with readable(self._db.path, f"artwork film {name}"):
            return film_now(entries)

    def add_film(self, film: Film, by: By) -> FilmNow:
        """Record a film."""
        self._add_thing(About.FILM, film.name, film.model_dump(mode="json"), by)
        return self.film(film.name)

    def use_film(self, name: str, by: By, *, ref: str | None = None) -> FilmNow:
        """Count one use; a ``ref`` already told is not counted again."""
        self._use(About.FILM, name, by, ref, {})
        return self.film(name)

    def change_film(self, name: str, changes: Mapping[str, Any], by: By) -> FilmNow:
        """Other values of ``FILM_CHANGES`` from now on, with the reason."""
        with self._db.transaction():
            now = self.film(name)
            _refuse_closed(f"artwork film {name}", now.closed)
            self._change(About.FILM, name, now.film.model_dump(mode="json"), changes, by)
        return self.film(name)

    def read_store(self, name: str, temp_c: float | None, rh_pct: float | None, by: By) -> LotNow:
        """What somebody read where the lot is stored."""
        body = {k: v for k, v in (("temp_c", temp_c), ("rh_pct", rh_pct)) if v is not None}
        if not body:
            raise StoreRefused(f"lot {name}: say what was read, temperature or humidity")
        with self._db.transaction():
            self._usable_lot(name)
            self._log.enter((About.LOT, name, Act.KEPT), by, body)
        return self.lot(name)

    def items(self) -> tuple[ItemNow, ...]:
        """All items of maintenance, in the order they were added."""
        return tuple(map(self.item, self._things(About.ITEM)))

    def item(self, name: str) -> ItemNow:
        """One item; ``StoreRefused`` when there is none."""
        entries = self._known(About.ITEM, name)
        with readable(self._db.path, f"item {name}"):
            return item_now(entries)

    def add_item(self, item: Item, by: By) -> ItemNow:
        """Record what is to be done again and again."""
        self._add_thing(About.ITEM, item.name, item.model_dump(mode="json"), by)
        return self.item(item.name)

    def change_item(self, name: str, changes: Mapping[str, Any], by: By) -> ItemNow:
        """Other values of ``ITEM_CHANGES`` from now on, with the reason."""
        with self._db.transaction():
            now = self.item(name)
            _refuse_closed(f"item {name}", now.closed)
            self._change(About.ITEM, name, now.item.model_dump(mode="json"), changes, by)
        return self.item(name)

    def item_done(self, name: str, by: By) -> ItemNow:
        """It was done now, by whom; ``by.why`` is their note."""
        with self._db.transaction():
            now = self.item(name)
            _refuse_closed(f"item {name}", now.closed)
            if now.item.reset_by != "done":
                raise StoreRefused(
                    f"item {name} starts over when the record shows: {now.item.reset_by}; enter "
                    f"that instead: {SAID_BY[now.item.reset_by]}"
                )
            self._log.enter((About.ITEM, name, Act.DONE), by, {})
        return self.item(name)

    def add_lot(self, lot: Lot, by: By) -> LotNow:
        """Record a delivered lot."""
        self._add_thing(About.LOT, lot.name, lot.model_dump(mode="json"), by)
        return self.lot(lot.name)

    def add_screen(self, screen: Screen, by: By) -> ScreenNow:
        """Record a screen."""
        self._add_thing(About.SCREEN, screen.name, screen.model_dump(mode="json"), by)
        return self.screen(screen.name)

    def open_lot(self, name: str, opened_on: date, by: By) -> LotNow:
        """The lot's package was opened; once."""
        with self._db.transaction():
            now = self._usable_lot(name)
            if now.opened_on is not None:
                raise StoreRefused(f"lot {name} was opened on {now.opened_on} already")
            if opened_on < now.lot.received_on:
                raise StoreRefused(
                    f"lot {name} came on {now.lot.received_on} and cannot have been opened on "
                    f"{opened_on}; correct the date"
                )
            body = {"opened_on": opened_on.isoformat()}
            self._log.enter((About.LOT, name, Act.OPENED), by, body)
        return self.lot(name)

    def use_lot(self, name: str, area_cm2: float, by: By, *, ref: str | None = None) -> LotNow:
        """Take area off the lot. A use already told under this ``ref`` is not counted again. What
        was used is recorded even when the lot has less left, or is closed: it is a fact."""
        if not (math.isfinite(area_cm2) and area_cm2 > 0.0):
            raise StoreRefused(f"lot {name}: the area used, {area_cm2:g} cm², must be more than 0")
        self._use(About.LOT, name, by, ref, {"area_cm2": area_cm2})
        return self.lot(name)

    def use_screen(self, name: str, by: By, *, ref: str | None = None) -> ScreenNow:
        """Count one use; a ``ref`` already told is not counted again."""
        self._use(About.SCREEN, name, by, ref, {})
        return self.screen(name)

    def count_lot(self, name: str, area_cm2: float, by: By) -> LotNow:
        """The area left, as somebody found it."""
        if not (math.isfinite(area_cm2) and area_cm2 >= 0.0):
            raise StoreRefused(f"lot {name}: the area left, {area_cm2:g} cm², must be 0 or more")
        with self._db.transaction():
            self._usable_lot(name)
            self._log.enter((About.LOT, name, Act.COUNTED), by, {"area_cm2": area_cm2})
        return self.lot(name)

    def change_lot(self, name: str, changes: Mapping[str, Any], by: By) -> LotNow:
        """Other values of ``LOT_CHANGES`` from now on, with the reason."""
        with self._db.transaction():
            now = self._usable_lot(name)
            values = now.lot.model_dump(mode="json")
            self._change(About.LOT, name, values, changes, by)
        return self.lot(name)

    def change_screen(self, name: str, changes: Mapping[str, Any], by: By) -> ScreenNow:
        """Other values of ``SCREEN_CHANGES`` from now on, with the reason."""
        with self._db.transaction():
            now = self.screen(name)
            _refuse_closed(f"screen {name}", now.closed)
            self._change(About.SCREEN, name, now.screen.model_dump(mode="json"), changes, by)
        return self.screen(name)

    def close_thing(self, about: About, name: str, by: By) -> None:
        """The lot, screen or film is used no more, with the reason."""
        if not by.why.strip():
            raise StoreRefused(f"say why {about} {name} is retired")
        with self._db.transaction():
            ended = [e.why for e in self._known(about, name) if e.act is Act.CLOSED]
            _refuse_closed(f"{about} {name}", ended[-1] if ended else None)
            self._log.enter((about, name, Act.CLOSED), by, {})

    def _usable_lot(self, name: str) -> LotNow:
        now = self.lot(name)
        _refuse_closed(f"lot {name}", now.closed)
        return now

    def _add_thing(self, about: About, name: str, body: dict[str, Any], by: By) -> None:
        with self._db.transaction():
            if self._log.history(about, name):
                raise StoreRefused(f"{about} {name} exists already; give it another name")
            number = self._log.enter((about, name, Act.ADDED), by, body)
            self._db.execute(
                "INSERT INTO things (about, name, number) VALUES (?, ?, ?)",
                (str(about), name, number),
            )

    def _use(self, about: About, name: str, by: By, ref: str | None, body: dict[str, Any]) -> None:
        with self._db.transaction():
            known = self._known(about, name)
            if ref is None or all(entry.ref != ref for entry in known):
                self._log.enter((about, name, Act.USED), by, body, ref=ref)

    def _change(
        self, about: About, name: str, values: dict[str, Any], changes: Mapping[str, Any], by: By
    ) -> None:
        known = _CHANGES[about]
        if not changes or not changes.keys() <= known:
            raise StoreRefused(f"of a {about}, {', '.join(sorted(known))} can be changed")
        if not by.why.strip():
            raise StoreRefused(f"say why {about} {name} is changed")
        plain = {k: v.isoformat() if isinstance(v, date) else v for k, v in changes.items()}
        try:
            _MADE[about](values | plain)
        except (ValidationError, ValueError) as error:
            raise StoreRefused(f"{about} {name}: {error}") from None
        self._log.enter((about, name, Act.CHANGED), by, plain)

    def _things(self, about: About) -> list[str]:
        rows = self._db.rows("SELECT name FROM things WHERE about = ? ORDER BY number", (about,))
        return [str(row[0]) for row in rows]

    def _known(self, about: About, name: str) -> tuple[Entry, ...]:
        found = self._log.history(about, name)
        if not found:
            there = (
                ", ".join(self._things(about))
                or f"none; add one with 'platelink {_COMMANDS.get(about, about)} add'"
            )
            raise StoreRefused(
                f"there is no {about} '{name}' in {self._db.path}; there are: {there}"
            )
        return found


def _refuse_closed(what: str, closed: str | None) -> None:
    if closed is not None:
        raise StoreRefused(f"{what} was retired ({closed}) and cannot be changed")
