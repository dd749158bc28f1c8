"""Stock lots and screens: what they are, what became of them, may a plate use them. Pure.

Both are told by entries: the first says what it is, later ones what was done. What they are now is
made of the entries every time, so that nothing of it can be altered.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from platelink.forms.keys import Paragraph, PlainName, Section, key
from platelink.recipe.entries import Act, Entry
from platelink.recipe.quantities import AREA, LinesPerCm, SquareCm

Expired = Literal["warn", "block"]
"""What a lot past its best-before date does to a plate."""


class Lot(Section):
    """A delivery of plate stock."""

    name: PlainName = key("Name of the lot, as on its label.")
    stock: PlainName = key("Which plate stock it is.")
    received_on: date = key("Day it came.")
    best_before: date | None = key("Last day it is good for, as on its label.", None)
    area_cm2: SquareCm = key("How much came.", unit="cm²", gt=0.0, le=1e8)
    note: Paragraph | None = key("Anything else.", None)


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


LOT_CHANGES = frozenset({"best_before", "note"})
"""Keys of a lot that may be changed; the others are what it is."""
SCREEN_CHANGES = frozenset({"max_uses", "note"})


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


@dataclass(frozen=True, slots=True)
class ScreenNow:
    """A screen as it is now."""

    screen: Screen
    uses: int
    closed: str | None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a lot or screen that the person should know before the plate."""

    name: str
    blocks: bool
    text: str
    asks: bool = False
    """No plate is made before the person has said to go on all the same."""


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
            case Act.CLOSED:
                closed = entry.why
    return LotNow(lot_of(values), opened_on, left, uses, closed)


def screen_now(entries: Iterable[Entry]) -> ScreenNow:
    """The screen of its own entries, oldest first."""
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
    return ScreenNow(Screen.model_validate(values), uses, closed)


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
        blocks = expired == "block"
        found.append(Finding("lot expired", blocks, text, not blocks))
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
