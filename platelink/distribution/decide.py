"""Whether a unit takes a distribution whose signature holds. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from platelink.distribution.model import Distribution
from platelink.distribution.signed import Opened
from platelink.distribution.wrong import NotTaken

AHEAD: Final = timedelta(days=1)
"""A computer's clock may be as wrong; a distribution made later than that is refused."""


class Place(NamedTuple):
    """The unit that decides."""

    site: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """The newest revision of a kind that was taken."""

    revision: int
    sha256: str
    key: str
    """The line of the key that signed it."""
    at_utc: datetime


def target_of(one: Distribution) -> str:
    """Whom it is for: ``recipes`` for the site, ``recipes/unit-1`` for one unit."""
    return one.kind if one.unit is None else f"{one.kind}/{one.unit}"


def decided(
    opened: Opened, place: Place, taken: Mapping[str, Taken], seen: Mapping[str, str], *,
    now_utc: datetime,
) -> tuple[int, ...] | None:  # fmt: skip
    """None where it was taken already and nothing happens; else take it, and these revisions, which
    were for this unit, never came. ``NotTaken`` where it must not be taken.

    ``taken``: the newest of each kind; ``seen``: hashes of the newest taken, by ``target_of``."""
    one = opened.one
    if one.site != place.site:
        raise NotTaken(f"it is for site {one.site}; this unit is of {place.site}")
    if one.unit not in (None, place.unit):
        raise NotTaken(f"it is for unit {one.unit}; this is {place.unit}")
    last = taken.get(one.kind)
    if last is not None and opened.sha256 in (last.sha256, seen.get(target_of(one))):
        return None
    if one.made_utc > now_utc + AHEAD:
        raise NotTaken(
            f"it says it was made at {one.made_utc:%Y-%m-%d %H:%M} UTC and here it is "
            f"{now_utc:%Y-%m-%d %H:%M} UTC: set the clock that is wrong"
        )
    if last is None:
        return ()
    if one.revision == last.revision:
        raise NotTaken(
            f"revision {one.revision} was taken at {last.at_utc:%Y-%m-%d %H:%M} UTC with other "
            "content: two were signed under one number. Find out who else has the shop's key; "
            "send another revision"
        )
    if one.revision < last.revision:
        raise NotTaken(
            f"revision {one.revision} is older than {last.revision}, which holds here since "
            f"{last.at_utc:%Y-%m-%d %H:%M} UTC: an old one was sent again. To go back, send the "
            "old content as a new revision"
        )
    return tuple(n for n in one.earlier if n > last.revision)
