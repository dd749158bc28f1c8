"""Stock lots, screens and films: what they are, what became of them, may a plate use them. Pure.

They are told by entries: the first says what it is, later ones what was done. What they are now is
made of the entries every time, so that nothing of it can be altered.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal, NamedTuple, Self

from pydantic import model_validator

from platelink.forms.keys import Celsius, Line, Paragraph, PlainName, Section, key
from platelink.recipe.entries import Act, Entry
from platelink.recipe.quantities import AREA, LinesPerCm, SquareCm

Expired = Literal["warn", "block"]
"""What a lot that is too old, or was stored badly, does to a plate."""


class Lot(Section):
    """A delivery of plate stock."""

    name: PlainName = key("Name of the lot, as on its label.")
    stock: PlainName = key("Which plate stock it is.")
    received_on: date = key("Day it came.")
    best_before: date | None = key("Last day it is good for, as on its label.", None)
    area_cm2: SquareCm = key("How much came.", unit="cm²", gt=0.0, le=1e8)
    max_days_open: int | None = key(
        "So many days it is good for once its package is open.", None, ge=1, le=10_000
    )
    store_low_c: Celsius | None = key("Coldest its store may be.", None, unit="°C", ge=-50.0, le=80)
    store_high_c: Celsius | None = key(
        "Warmest its store may be.", None, unit="°C", ge=-50.0, le=80
    )
    store_low_rh_pct: float | None = key("Driest (humidity).", None, unit="%", ge=0.0, le=100.0)
    store_high_rh_pct: float | None = key("Most humid.", None, unit="%", ge=0.0, le=100.0)
    note: Paragraph | None = key("Anything else.", None)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for low, high in (
            (self.store_low_c, self.store_high_c), (self.store_low_rh_pct, self.store_high_rh_pct),
        ):  # fmt: skip
            if low is not None and high is not None and low >= high:
                raise ValueError(f"of its store: {low:g} is not below {high:g}")
        return self


class Screen(Section):
    """A halftone line screen."""

    name: PlainName = key("Name of the screen.")
    ruling_lines_per_cm: LinesPerCm = key("Its ruling.", unit="lines/cm", gt=0.0, le=1000.0)
    tint_pct: float = key("Its tint.", unit="%", gt=0.0, lt=100.0)
    angle_deg: float = key("Its angle.", 45.0, unit="°", ge=0.0, lt=180.0)
    max_uses: int | None = key(
        "Number of uses after which to replace it.", None, ge=1, le=1_000_000
    )
    note: Paragraph | None = key("Anything else.", None)


class Film(Section):
    """An artwork film."""

    name: PlainName = key("Its code, as on its edge.")
    artwork: Line = key("Name of the artwork on it.")
    made_on: date = key("Day it was made.")
    density: float | None = key(
        "Density of its black, as measured; left out: not measured.", None, gt=0.0, le=8.0
    )
    max_uses: int | None = key(
        "Number of uses after which to replace it.", None, ge=1, le=1_000_000
    )
    note: Paragraph | None = key("Anything else.", None)


STORE_LIMITS = ("store_low_c", "store_high_c", "store_low_rh_pct", "store_high_rh_pct")
LOT_CHANGES = frozenset({"best_before", "max_days_open", *STORE_LIMITS, "note"})
"""Keys of a lot that may be changed; the others are what it is."""
SCREEN_CHANGES = frozenset({"max_uses", "note"})
FILM_CHANGES = frozenset({"density", "max_uses", "note"})


class StoreRead(NamedTuple):
    """What somebody read where a lot is stored."""

    at_utc: datetime
    who: str
    temp_c: float | None
    rh_pct: float | None


@dataclass(frozen=True, slots=True)
class LotNow:
    """A lot as it is now."""

    lot: Lot
    opened_on: date | None
    area_left_cm2: float
    """Below 0 when more was used than the lot had."""
    uses: int
    closed: str | None
    """Why it is used no more; None while it is in use."""
    store: tuple[StoreRead, ...] = ()
    """Oldest first."""


@dataclass(frozen=True, slots=True)
class ScreenNow:
    """A screen as it is now."""

    screen: Screen
    uses: int
    closed: str | None


@dataclass(frozen=True, slots=True)
class FilmNow:
    """A film as it is now."""

    film: Film
    uses: int
    closed: str | None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a lot, screen or film that the person should know before the plate."""

    name: str
    blocks: bool
    text: str
    asks: bool = False
    """No plate is made before the person has said to go on all the same."""
    owes_why: bool = False
    """And has said why."""


NO_LOT = Finding(
    "no lot", False, "no lot is named, so nobody can say later which sheet it was; name it", True
)


def unknown_lot(name: str, there: Iterable[str]) -> Finding:
    """A lot that nobody entered."""
    known = ", ".join(there) or "none"
    text = f"lot {name} is not entered; add it, or take one of those in use: {known}"
    return Finding("lot not entered", False, text, True)


def lot_now(entries: Iterable[Entry]) -> LotNow:
    """The lot of its own entries, oldest first."""
    values: dict[str, Any] = {}
    opened_on: date | None = None
    left = 0.0
    uses = 0
    closed = None
    store: list[StoreRead] = []
    for entry in entries:
        body: dict[str, Any] = entry.body
        match entry.act:
            case Act.ADDED:
                values, left = dict(body), float(body["area_cm2"])
            case Act.CHANGED:
                values |= body
            case Act.OPENED:
                opened_on = date.fromisoformat(body["opened_on"])
            case Act.USED:
                left -= body["area_cm2"]
                uses += 1
            case Act.COUNTED:
                left = float(body["area_cm2"])
            case Act.KEPT:
                read = body.get("temp_c"), body.get("rh_pct")
                store.append(StoreRead(entry.at_utc, entry.who, *read))
            case Act.CLOSED:
                closed = entry.why
    return LotNow(lot_of(values), opened_on, left, uses, closed, tuple(store))


def screen_now(entries: Iterable[Entry]) -> ScreenNow:
    """The screen of its own entries, oldest first."""
    values, uses, closed = _used(entries)
    return ScreenNow(Screen.model_validate(values), uses, closed)


def film_now(entries: Iterable[Entry]) -> FilmNow:
    """The film of its own entries, oldest first."""
    values, uses, closed = _used(entries)
    return FilmNow(film_of(values), uses, closed)


def _used(entries: Iterable[Entry]) -> tuple[dict[str, Any], int, str | None]:
    """Values, uses, and why it is used no more."""
    values: dict[str, Any] = {}
    uses = 0
    closed = None
    for entry in entries:
        match entry.act:
            case Act.ADDED:
                values = dict(entry.body)
            case Act.CHANGED:
                values |= entry.body
            case Act.USED:
                uses += 1
            case Act.CLOSED:
                closed = entry.why
    return values, uses, closed


def film_of(values: dict[str, Any]) -> Film:
    """The film of plain JSON values, in which days are texts."""
    made = values.get("made_on")
    return Film.model_validate(
        values | ({"made_on": date.fromisoformat(made)} if isinstance(made, str) else {})
    )


def lot_of(values: dict[str, Any]) -> Lot:
    """The lot of plain JSON values, in which days are texts."""
    days = {
        name: date.fromisoformat(values[name])
        for name in ("received_on", "best_before")
        if isinstance(values.get(name), str)
    }
    return Lot.model_validate(values | days)


def lot_findings(
    now: LotNow, *, stock: str | None, area_cm2: float, today: date, expired: Expired
) -> tuple[Finding, ...]:
    """What stands against a plate of this stock (None: any) and area from this lot today."""
    lot, found = now.lot, []
    if now.closed is not None:
        text = f"lot {lot.name} was retired ({now.closed}); take another"
        found.append(Finding("lot closed", False, text, True))
    if stock is not None and lot.stock != stock:
        text = f"lot {lot.name} is {lot.stock}, the recipe is for {stock}; take another lot"
        found.append(Finding("wrong stock", False, text, True))
    if lot.best_before is not None and today > lot.best_before:
        text = (
            f"lot {lot.name} was good until {lot.best_before}, today is {today}; take "
            "another, or test it and change its date, with a reason"
        )
        found.append(_too_old("lot expired", text, expired))
    days = None if now.opened_on is None else (today - now.opened_on).days
    if lot.max_days_open is not None and days is not None and days > lot.max_days_open:
        text = (
            f"lot {lot.name} has been open for {days} days, it is good for {lot.max_days_open}; "
            "take another, or test it and change its limit, with a reason"
        )
        found.append(_too_old("lot open too long", text, expired))
    outside = _badly_stored(now)
    if outside:
        found.append(_too_old("lot stored badly", outside, expired))
    elif any(getattr(lot, name) is not None for name in STORE_LIMITS) and not now.store:
        text = (
            f"lot {lot.name} has limits of its store, and nobody has read its store; read it: "
            f"platelink lot stored {lot.name}"
        )
        found.append(Finding("store not read", False, text))
    if today < lot.received_on:
        text = (
            f"lot {lot.name} came on {lot.received_on}, after today, {today}; check the date and "
            "this computer's clock"
        )
        found.append(Finding("lot not received", False, text, True))
    if now.closed is None and now.area_left_cm2 <= 0.0:
        left = AREA.format(now.area_left_cm2, "cm2")
        text = f"lot {lot.name} is used up, {left} are left; count it, or take another"
        found.append(Finding("lot used up", False, text, True))
    elif now.area_left_cm2 < area_cm2:
        left, needed = (AREA.format(a, "cm2") for a in (now.area_left_cm2, area_cm2))
        text = f"lot {lot.name} has {left} left, {needed} are needed; count it, or take another"
        found.append(Finding("not enough area", False, text, True))
    return tuple(found)


def _too_old(name: str, text: str, expired: Expired) -> Finding:
    """Refused, or asked with a reason, as the shop has it."""
    blocks = expired == "block"
    return Finding(name, blocks, text, not blocks, not blocks)


def never_opened(now: LotNow) -> Finding | None:
    """Of a lot that a plate is about to be cut from: nobody can say how long it has been open."""
    if now.lot.max_days_open is None or now.opened_on is not None or now.closed is not None:
        return None
    text = (
        f"lot {now.lot.name} is good for {now.lot.max_days_open} days once open, and nobody has "
        f"said when it was opened; record it: platelink lot open {now.lot.name}"
    )
    return Finding("lot opening unknown", False, text, True)


def _badly_stored(now: LotNow) -> str:
    """The newest reading of its store that is outside its limits; empty: there is none."""
    lot = now.lot
    for read in reversed(now.store):
        for value, low, high, unit in (
            (read.temp_c, lot.store_low_c, lot.store_high_c, "°C"),
            (read.rh_pct, lot.store_low_rh_pct, lot.store_high_rh_pct, "% RH"),
        ):
            if value is not None and low is not None and value < low:
                word, limit = "at least", low
            elif value is not None and high is not None and value > high:
                word, limit = "at most", high
            else:
                continue
            return (
                f"lot {lot.name} was stored at {value:g} {unit} on {read.at_utc:%Y-%m-%d} "
                f"(read by {read.who}), its limit is {word} {limit:g} {unit}; take another, "
                "or test it and change its limits, with a reason"
            )
    return ""


def unknown_film(name: str, there: Iterable[str]) -> Finding:
    """A film that nobody entered."""
    known = ", ".join(there) or "none"
    text = f"film {name} is not entered; add it, or take one of those in use: {known}"
    return Finding("film not entered", False, text, True)


def film_findings(now: FilmNow, *, least_density: float | None, today: date) -> tuple[Finding, ...]:
    """What stands against a plate from this film. ``least_density``: of its black, as the shop has
    it; None: any."""
    film, found = now.film, []
    if now.closed is not None:
        text = f"film {film.name} was retired ({now.closed}); take another"
        found.append(Finding("film closed", True, text))
    if today < film.made_on:
        text = (
            f"film {film.name} was made on {film.made_on}, after today, {today}; check the date "
            "and this computer's clock"
        )
        found.append(Finding("film not made yet", False, text, True))
    if least_density is not None:
        if film.density is None:
            text = (
                f"the density of film {film.name} was not measured, the least is "
                f"{least_density:g}; measure it, and change it: platelink film change {film.name}"
            )
            found.append(Finding("film density unknown", False, text, True))
        elif film.density < least_density:
            text = (
                f"the density of film {film.name} is {film.density:g}, the least is "
                f"{least_density:g}: light leaks through its black; make another film"
            )
            found.append(Finding("film too thin", False, text, True, True))
    if film.max_uses is not None and now.uses >= film.max_uses:
        text = (
            f"uses of film {film.name}: {now.uses}, limit {film.max_uses}; inspect it, then "
            "replace it or change its limit, with a reason"
        )
        found.append(Finding("film worn", False, text))
    return tuple(found)


def screen_findings(now: ScreenNow, *, wanted: str | None) -> tuple[Finding, ...]:
    """What stands against using this screen where ``wanted`` is the recipe's (None: any)."""
    screen, found = now.screen, []
    if now.closed is not None:
        text = f"screen {screen.name} was retired ({now.closed}); take another"
        found.append(Finding("screen closed", True, text))
    if wanted is not None and screen.name != wanted:
        text = f"screen {screen.name} is not the recipe's, {wanted}; take that one"
        found.append(Finding("wrong screen", True, text))
    if screen.max_uses is not None and now.uses >= screen.max_uses:
        text = (
            f"uses of screen {screen.name}: {now.uses}, limit {screen.max_uses}; inspect it, "
            "then replace it or change its limit, with a reason"
        )
        found.append(Finding("screen worn", False, text))
    return tuple(found)
