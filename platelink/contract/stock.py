"""Lots of plate stock, line screens and artwork films. Data only."""

from __future__ import annotations

from pydantic import Field

from platelink.contract.base import (
    Answer,
    Day,
    Finding,
    Name,
    Note,
    Noted,
    Reasoned,
    Request,
    Text,
    Utc,
    Why,
)


class NewLot(Request):
    """A delivery of plate stock."""

    name: Name
    stock: Name
    received_on: Day
    best_before: Day | None = None
    area_cm2: float
    max_days_open: int | None = None
    store_low_c: float | None = None
    store_high_c: float | None = None
    store_low_rh_pct: float | None = None
    store_high_rh_pct: float | None = None
    note: Note | None = None


class LotOpened(Request):
    """The day a lot was opened; left out: today."""

    opened_on: Day | None = None
    why: Why = ""


class LotUsed(Request):
    """Area used."""

    area_cm2: float
    ref: Text | None = Field(
        default=None, description="What it was for; repeated for the same one it counts once."
    )
    why: Why = ""


class LotCounted(Request):
    """The area left, as somebody found it."""

    area_cm2: float
    why: Why = ""


class LotChange(Request):
    """Other values from now on; null takes a value away."""

    best_before: Day | None = None
    max_days_open: int | None = None
    store_low_c: float | None = None
    store_high_c: float | None = None
    store_low_rh_pct: float | None = None
    store_high_rh_pct: float | None = None
    note: Note | None = None
    why: Why


class LotStored(Request):
    """What was read where the lot is stored; one of the two or both."""

    temp_c: float | None = Field(default=None, ge=-50.0, le=80.0)
    rh_pct: float | None = Field(default=None, ge=0.0, le=100.0, description="Relative humidity.")
    why: Why = ""


class NewScreen(Request):
    """A halftone line screen."""

    name: Name
    ruling_lines_per_cm: float
    tint_pct: float
    angle_deg: float = 45.0
    max_uses: int | None = None
    note: Note | None = None


class ScreenUsed(Request):
    """One use."""

    ref: Text | None = Field(
        default=None, description="What it was for; repeated for the same one it counts once."
    )
    why: Why = ""


class ScreenChange(Request):
    """Other values from now on; null takes a value away."""

    max_uses: int | None = None
    note: Note | None = None
    why: Why


class NewFilm(Request):
    """An artwork film."""

    name: Name
    artwork: Name
    made_on: Day
    density: float | None = None
    max_uses: int | None = None
    note: Note | None = None


class FilmUsed(ScreenUsed):
    """One use."""


class FilmChange(Request):
    """Other values from now on; null takes a value away."""

    density: float | None = None
    max_uses: int | None = None
    note: Note | None = None
    why: Why


class FilmClosed(Reasoned):
    """The film is used no more, with the reason."""


class LotClosed(Reasoned):
    """The lot is used no more, with the reason."""


class ScreenClosed(Reasoned):
    """The screen is used no more, with the reason."""


AtLot = LotOpened | LotUsed | LotCounted | LotStored | LotChange | LotClosed
LOT_ACTS: dict[type[AtLot], str] = {
    LotOpened: "open", LotUsed: "use", LotCounted: "count", LotChange: "change",
    LotStored: "stored", LotClosed: "close",
}  # fmt: skip
"""Each with the last part of its path."""
AtScreen = ScreenUsed | ScreenChange | ScreenClosed
SCREEN_ACTS: dict[type[AtScreen], str] = {
    ScreenUsed: "use", ScreenChange: "change", ScreenClosed: "close",
}  # fmt: skip
AtFilm = FilmUsed | FilmChange | FilmClosed
FILM_ACTS: dict[type[AtFilm], str] = {
    FilmUsed: "use", FilmChange: "change", FilmClosed: "close",
}  # fmt: skip


class StoreRead(Answer):
    """What was read where a lot is stored."""

    at_utc: Utc
    who: str
    temp_c: float | None
    rh_pct: float | None


class Lot(Answer):
    """A lot of plate stock as it is now."""

    name: str
    stock: str
    received_on: str
    best_before: str | None
    area_cm2: float
    max_days_open: int | None = None
    store_low_c: float | None = None
    store_high_c: float | None = None
    store_low_rh_pct: float | None = None
    store_high_rh_pct: float | None = None
    note: str | None
    opened_on: str | None
    days_open: int | None = Field(default=None, description="Null: nobody said when.")
    store: list[StoreRead] = Field(default=[], description="As it was read, oldest first.")
    area_left_cm2: float
    uses: int
    closed: str | None
    findings: list[Finding]


class Lots(Answer):
    """Lots."""

    lots: list[Lot]


class LotWhole(Lot):
    """A lot and everything that was done to it."""

    history: list[Noted]


class Screen(Answer):
    """A halftone line screen as it is now."""

    name: str
    ruling_lines_per_cm: float
    tint_pct: float
    angle_deg: float
    max_uses: int | None
    note: str | None
    uses: int
    closed: str | None
    findings: list[Finding]


class Screens(Answer):
    """Screens."""

    screens: list[Screen]


class ScreenWhole(Screen):
    """A screen and everything that was done to it."""

    history: list[Noted]


class Film(Answer):
    """An artwork film as it is now."""

    name: str
    artwork: str
    made_on: str
    density: float | None
    max_uses: int | None
    note: str | None
    uses: int
    closed: str | None
    findings: list[Finding]


class Films(Answer):
    """Films."""

    films: list[Film]


class FilmWhole(Film):
    """A film and everything that was done to it."""

    history: list[Noted]
