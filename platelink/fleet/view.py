"""Every unit in one line, from the statuses that the broker gives. Pure.

A status says what was so when it was sent. The broker keeps the newest one whether the unit still
is there or not, so nothing is said of the present on the strength of a word that is too old: a unit
that promised another word and did not send it is *silent*, and of one whose word was found at the
broker, not heard, it is not known yet whether it is there. What a unit that is not there was doing
last is told as that. ``now`` is host monotonic seconds, ``utc_s`` this computer's clock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum

from platelink.fleet.told import Alarms, Plate, Told, read_status
from platelink.publish.topics import ROOT, Topics

FILTERS = (f"{ROOT}/+/+/status", f"{ROOT}/+/+/checkpoint")
"""What is listened to: whose checkpoint the broker keeps is a unit, though it says nothing."""
PATIENCE = 2.5
"""A unit is silent after so many of its intervals without a word: two of them may be lost."""
OLD_RELEASE_S = 50.0
"""Of a unit that promises no interval: so long is believed what it said."""
CLOCK_S = 10.0
"""Clocks that differ by less are not spoken of. A status is some 0.1 s under way; a broker that is
busy may hold it for seconds more (assumed)."""
APART_S = 4.0
"""A clock seems behind where words only come late. It is behind if words that arrived so far
apart say so alike."""
ALIKE_S = 3.0
KEPT_WORDS = 8
TWINS_S = 3600.0
"""How long after it was last seen it is shown that two units use one name."""
MOST_UNITS = 5000
"""More than these have names that somebody made up: they are counted, not kept."""


class Presence(StrEnum):
    """Whether a unit is there."""

    ONLINE = "online"
    OFFLINE = "offline"  # it said goodbye, or the broker lost it
    SILENT = "silent"  # it promised another word, and none came
    UNSURE = "unsure"  # the broker has a word of it, and none was heard yet
    UNREADABLE = "unreadable"  # what it says cannot be read here


@dataclass(frozen=True, slots=True)
class Row:
    """A unit at one moment. What is None is not known."""

    site: str
    unit: str
    presence: Presence
    since_utc_s: float | None
    """Not online: when it was last heard here, or else when its last word was made by its clock."""
    lit: bool | None
    """Light on the bed; None: not known, to be treated as on."""
    was_lit: bool
    """Of a unit that is not online: its last word was of light."""
    held: bool | None
    """An exposure or a step of a plate is on hold, the remainder kept."""
    exposure: str | None
    alarms: Alarms | None
    overdue: tuple[str, ...] | None
    plates: tuple[Plate, ...]
    pending: int | None
    """Entries that the broker has not yet."""
    behind_s: float | None
    """Age of the oldest of them."""
    clock_s: float | None
    """By so much its clock is ahead of this computer's, at least; negative: behind. None: within
    CLOCK_S as far as is known."""
    twins: bool
    """Two units use this name."""
    problem: str
    """What it says is the matter with its device, or why its word cannot be read."""
    journal: str | None
    entries: int | None

    @property
    def calls(self) -> bool:
        """It wants a person."""
        alarms = self.alarms
        return bool(alarms and alarms.unacknowledged) or bool(self.overdue) or self.twins


@dataclass(slots=True)
class _Unit:
    told: Told | None = None
    heard_at: float | None = None
    """When its newest word came; None of one that was only found at the broker."""
    heard_utc_s: float | None = None
    gone: bool = False
    """The broker has a word of it no more."""
    unreadable: str = ""
    offsets: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=KEPT_WORDS))
    """When a word came, and by how much its clock was ahead of this one's then."""
    ahead_s: float = 0.0
    """Of a word that was only found: its time lay in the future by so much."""
    journals: list[str] = field(default_factory=list)
    """Each one that it had after another."""
    twins_at: float = float("-inf")
    """When something last told of two units."""


class Fleet:
    """See the file's first lines."""

    def __init__(self) -> None:
        self.refused = 0
        """Messages that say nothing, or of a unit too many."""
        self.last_refusal = ""
        self._units: dict[tuple[str, str], _Unit] = {}
        self._since: float | None = None
        """Since when every word is heard; None while there is no connection."""

    def lost(self) -> None:
        """Nothing is heard from now on, which is no unit's silence."""
        self._since = None

    def connected(self, *, now: float) -> None:
        """Words are heard from now on; those that were missed are found at the broker."""
        self._since = now
        for unit in self._units.values():
            unit.offsets.clear()

    def hear(self, topic: str, payload: bytes, *, retained: bool, now: float, utc_s: float) -> None:
        """A message of one of ``FILTERS``, whatever is in it."""
        try:
            kind, key = _key(topic)
        except ValueError as fault:
            self._refuse(topic, str(fault))
            return
        unit = self._units.get(key)
        if unit is None:
            if not payload and not retained:
                return  # empty and kept: a cluster's word that there was a status
            if len(self._units) >= MOST_UNITS:
                self._refuse(topic, f"more than {MOST_UNITS} units")
                return
            unit = self._units[key] = _Unit()
        if kind == "status" and not payload:
            unit.gone = True
        elif kind == "status":
            told = read_status(payload, *key)
            if isinstance(told, str):
                unit.unreadable = told
                self._refuse(topic, told)
            else:
                self._take(unit, told, retained=retained, now=now, utc_s=utc_s)

    def _refuse(self, topic: str, why: str) -> None:
        self.refused += 1
        self.last_refusal = f"{topic:.200}: {why}"

    def _take(self, unit: _Unit, told: Told, *, retained: bool, now: float, utc_s: float) -> None:
        newest = unit.told
        if newest is not None and told.order < newest.order:
            # A word of an earlier session after one of a later: who speaks so is another one. Only
            # a last will may come late, and what the broker had kept.
            if not (told.last_will or retained) and told.order[0] < newest.order[0]:
                unit.twins_at = now
            return
        unit.unreadable = ""
        unit.gone = False
        if told.last_will and newest is not None:  # the broker knows nothing of what it was doing
            told = replace(newest, order=told.order, online=False, at_utc_s=told.at_utc_s)
        if told.journal is not None and told.journal not in unit.journals[-1:]:
            if told.journal in unit.journals:  # the one before is back
                unit.twins_at = now
            unit.journals = [*unit.journals[-9:], told.journal]
        if newest is None or told.order > newest.order:
            if not retained:
                unit.heard_at, unit.heard_utc_s = now, utc_s
            else:
                unit.heard_at = unit.heard_utc_s = None
            if not told.last_will:
                self._measure(unit, told.at_utc_s - utc_s, retained=retained, now=now)
        unit.told = told

    def _measure(self, unit: _Unit, ahead_s: float, *, retained: bool, now: float) -> None:
        """A word is never earlier here than it was made: what looks ahead is ahead."""
        if retained:
            unit.ahead_s = max(ahead_s, 0.0)
        else:
            unit.ahead_s = 0.0
            unit.offsets.append((now, ahead_s))

    def settled(self, *, now: float, utc_s: float) -> bool:
        """Of every unit it is known whether it is there."""
        rows = self.rows(now=now, utc_s=utc_s)
        return all(row.presence is not Presence.UNSURE for row in rows)

    def rows(self, *, now: float, utc_s: float) -> tuple[Row, ...]:
        """All units, by site and name."""
        return tuple(
            self._row(site, name, unit, now, utc_s)
            for (site, name), unit in sorted(self._units.items())
        )

    def _row(self, site: str, name: str, unit: _Unit, now: float, utc_s: float) -> Row:
        told, presence = unit.told, self._presence(unit, now, utc_s)
        here = presence is Presence.ONLINE
        since = unit.heard_utc_s
        if since is None and told is not None and not told.last_will:
            since = told.at_utc_s
        light = told.light if told else None
        return Row(
            site=site,
            unit=name,
            presence=presence,
            since_utc_s=None if here else since,
            lit={"on": True, "dark": False}.get(light or "") if here else None,
            was_lit=not here and light in ("on", "unknown"),
            held=_held(told) if here and told else None,
            exposure=told.exposure if here and told else None,
            alarms=told.alarms if told else None,
            overdue=told.overdue if told else None,
            plates=told.plates if told else (),
            pending=told.pending if told else None,
            behind_s=told.behind_s if told else None,
            clock_s=_clock_s(unit),
            twins=now - unit.twins_at <= TWINS_S,
            problem=unit.unreadable or (told.problem if told else ""),
            journal=told.journal if told else None,
            entries=told.entries if told else None,
        )

    def _presence(self, unit: _Unit, now: float, utc_s: float) -> Presence:
        told = unit.told
        if unit.unreadable:
            return Presence.UNREADABLE
        if told is None or unit.gone or not told.online:
            return Presence.OFFLINE
        patience_s = PATIENCE * told.renewed_s if told.renewed_s else OLD_RELEASE_S
        if unit.heard_at is not None:
            due = now - unit.heard_at > patience_s
        else:  # the next word is not due yet, by both clocks
            due = not told.renewed_s or not 0.0 <= utc_s - told.at_utc_s <= told.renewed_s
        if not due:
            return Presence.ONLINE
        deaf = self._since is None or now - self._since <= patience_s
        return Presence.UNSURE if deaf else Presence.SILENT


def _key(topic: str) -> tuple[str, tuple[str, str]]:
    """Which of ``FILTERS``, and whose; ValueError for another topic."""
    match topic.removeprefix(f"{ROOT}/").split("/"):
        case [site, unit, ("status" | "checkpoint") as kind]:
            topics = Topics(site, unit)
            return kind, (topics.site, topics.unit)
    raise ValueError("not a status")


def _held(told: Told) -> bool | None:
    if told.exposure in ("held", "holding"):
        return True
    if any(plate.state in ("held", "holding") for plate in told.plates):
        return True
    return None if told.light is None else False


def _clock_s(unit: _Unit) -> float | None:
    """The least by which its clock is ahead, or behind by words that agree; None within CLOCK_S."""
    if not unit.offsets:
        return unit.ahead_s if unit.ahead_s > CLOCK_S else None
    best = max(ahead_s for _, ahead_s in unit.offsets)
    if best > CLOCK_S:
        return best
    alike = [at for at, ahead_s in unit.offsets if best - ahead_s <= ALIKE_S]
    behind = best < -CLOCK_S and max(alike) - min(alike) >= APART_S
    return best if behind else None


def own_clock(rows: tuple[Row, ...]) -> float | None:
    """By how much most units agree to be off this computer's clock: then it is this one that is
    wrong. None where they do not, or there are not three."""
    online = [row for row in rows if row.presence is Presence.ONLINE]
    off = sorted(row.clock_s for row in online if row.clock_s is not None)
    if len(online) < 3 or 2 * len(off) <= len(online):
        return None
    middle = off[len(off) // 2]
    alike = [one for one in off if abs(one - middle) <= CLOCK_S]
    return middle if 2 * len(alike) > len(online) else None


def counted(rows: tuple[Row, ...]) -> Iterator[tuple[str, int]]:
    """How many units show each sign; only those that any shows."""
    signs = {
        "lit": sum(row.lit is True for row in rows),
        "light not known": sum(row.lit is None and row.presence is Presence.ONLINE for row in rows),
        "held": sum(row.held is True for row in rows),
        "alarmed": sum(bool(row.alarms and row.alarms.unacknowledged) for row in rows),
        "overdue": sum(bool(row.overdue) for row in rows),
        "offline": sum(row.presence in (Presence.OFFLINE, Presence.SILENT) for row in rows),
        "not known": sum(row.presence in (Presence.UNSURE, Presence.UNREADABLE) for row in rows),
        "clock off": sum(row.clock_s is not None for row in rows),
        "two of one name": sum(row.twins for row in rows),
    }
    return ((sign, n) for sign, n in signs.items() if n)
