"""Who did something, when and why; and times as a store keeps them. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from platelink.ledger.errors import StoreRefused

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)


class By(NamedTuple):
    """Who does something, when, and why."""

    who: str
    at_utc: datetime
    why: str = ""


def checked(by: By, what: str) -> int:
    """The time of an entry about to be made, in ms; refused when it does not say who does it."""
    if not (by.who.strip() and by.who.isprintable()):
        raise StoreRefused(f"say who does it: {what}")
    return to_ms(by.at_utc)


def to_ms(at_utc: datetime) -> int:
    """Whole milliseconds since 1970."""
    if at_utc.tzinfo is None:
        raise ValueError("at_utc needs its time zone")
    return (at_utc - _EPOCH) // _MS


def from_ms(at_ms: int) -> datetime:
    """The time of whole milliseconds since 1970; ``ValueError`` for what is none."""
    try:
        return _EPOCH + at_ms * _MS
    except (TypeError, OverflowError) as error:
        raise ValueError(f"{at_ms!r:.40} is no time in ms") from error
