"""From the journal's moves to what waits for people, and out: each step is whole, or not done."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import time
from typing import NamedTuple, Protocol

from platelink.alerts.duty import RANK, Roster
from platelink.alerts.occurrence import Move, Now
from platelink.alerts.outbox import Item, Pace, Way, WayState, due_ms
from platelink.alerts.rules import Rules, Tell
from platelink.alerts.store import AlertsStore, Place
from platelink.alerts.summary import Summary
from platelink.alerts.summary_text import summary_message
from platelink.alerts.wording import Message, Writer

AT_ONCE = 500
"""Moves that are taken in one transaction."""
MOST_AGAIN = 20_000
"""Entries that a restart reads again at most: each write waits for the disk."""
KEPT_MS = 90 * 86_400_000
"""What was told and is over is forgotten after so long."""
LONGEST_SUMMARY_MS = 31 * 86_400_000


class Numbered(NamedTuple):
    """A move with its number in the journal."""

    number: int
    move: Move


class AlarmSource(Protocol):
    """The journal, as alerts see it."""

    @property
    def uuid(self) -> str: ...
    def last_number(self) -> int: ...
    def moves_after(self, number: int, limit: int) -> tuple[list[Numbered], int]:
        """Moves of alarms after this number, of at most so many entries; and how far was read."""
        ...


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """What the configuration says, without secrets."""

    roster: Roster
    ways: Mapping[str, tuple[Way, ...]]
    """Of each person."""
    writers: Mapping[str, Writer]
    over_to: frozenset[str]
    pace: Pace
    summary_at: time | None
    summary_to: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message on its way."""

    way: Way
    items: tuple[Item, ...]
    message: Message
    standing: frozenset[str]
    """Occurrences that were not over when it was written."""


class Teller:
    """See the file's first line. After an error of the file all goes on from what is in it."""

    def __init__(self, store: AlertsStore, settings: AlertSettings, now: Now) -> None:
        self._store, self._settings = store, settings
        self._states: dict[Way, WayState] = {}
        self._load(now)

    def _load(self, now: Now) -> None:
        self._place = place = self._store.place()
        self._saved = place.number if place else 0
        first = Now(place.steady_ms, now.utc_ms) if place else now
        self._rules = Rules(
            self._settings.roster, self._settings.over_to, open_ones=self._store.open_ones(),
            told=self._store.told(), now=first,
        )  # fmt: skip

    @contextmanager
    def _whole(self, now: Now) -> Iterator[None]:
        try:
            with self._store.together():
                yield
        except BaseException:
            self._load(now)
            raise

    # --- what is to be told ------------------------------------------------------------------

    def read(self, journal: AlarmSource, now: Now) -> bool:
        """Take moves that are new in the journal; True when there may be more. How far was read is
        kept with them: what lies between, as the samples of an exposure, is passed over again."""
        place = self._place
        if place is None or place.journal != journal.uuid or journal.last_number() < place.number:
            self._begin(journal, now)
            return False
        moves, upto = journal.moves_after(place.number, AT_ONCE)
        if upto == place.number:
            return False
        self._place = Place(journal.uuid, upto, now.steady_ms)
        if moves or upto - self._saved > MOST_AGAIN:
            with self._whole(now):
                for _, move in moves:
                    self._add(self._rules.take(move, _made(move, now)), now)
                self._keep(self._place)
            self._saved = upto
        return upto < journal.last_number()

    def _begin(self, journal: AlarmSource, now: Now) -> None:
        """Another journal, or the first: what is in it is past, and what still calls is told to
        those who have not heard of it."""
        last = journal.last_number()
        with self._whole(now):
            self._rules.forget_all(now.utc_ms)
            number = 0
            while number < last:
                moves, number = journal.moves_after(number, AT_ONCE)
                for _, move in moves:
                    self._rules.take(move, _made(move, now), quiet=True)
            self._place = Place(journal.uuid, last, now.steady_ms)
            self._keep(self._place)
        self._saved = last

    def look(self, now: Now) -> None:
        """Tell what has become due."""
        tells = self._rules.advance(now)
        if tells:
            with self._whole(now):
                self._add(tells, now)

    def _add(self, tells: Iterable[Tell], now: Now) -> None:
        for one in tells:
            ways = self._settings.ways.get(one.person, ())
            if one.kind == "over":
                ways = tuple(set(ways) & set(self._store.ways_told(one.key, one.person)))
            for way in ways:
                self._store.add(way, one.kind, one.key, alarm=one.key.rpartition(" ")[0], now=now)

    def _keep(self, place: Place) -> None:
        for one in self._rules.changed.values():
            self._store.keep(one)
        self._rules.changed.clear()
        self._store.read_to(place)

    # --- the daily summary -------------------------------------------------------------------

    def summary_due(self, now: Now) -> tuple[str, int, int] | None:
        """Day, begin and end of the summary that is due and was not made; None when none is."""
        at = self._settings.summary_at
        if at is None:
            return None
        day, until_ms = self._settings.roster.slot(at, now.utc_ms)
        last = self._store.last_summary()
        if last is None:  # what was before is not ours to tell
            self._store.summary_made(day.isoformat(), until_ms)
            return None
        if day.isoformat() <= last[0] or until_ms <= last[1]:
            return None
        return day.isoformat(), max(last[1], until_ms - LONGEST_SUMMARY_MS), until_ms

    def add_summary(self, day: str, summary: Summary, now: Now) -> None:
        """It waits for everybody who gets it; once a day, whatever happens in between."""
        body = json.dumps(summary.plain(), ensure_ascii=False)
        with self._whole(now):
            for person in self._settings.summary_to:
                for way in self._settings.ways.get(person, ()):
                    self._store.add(way, "summary", day, body=body, now=now)
            self._store.summary_made(day, summary.until_ms)
            self._store.prune(now.utc_ms - KEPT_MS)

    # --- what goes out -----------------------------------------------------------------------

    def outgoing(self, now: Now, gone: Callable[[str], str]) -> Iterator[Outgoing]:
        """Messages that are to be sent now; each is followed by ``ended``. ``gone`` says why a
        person is not told any more; empty for all others."""
        waiting: dict[Way, list[Item]] = {}
        for item in self._store.waiting():
            waiting.setdefault(item.way, []).append(item)
        for way, items in waiting.items():
            if way in self._settings.ways.get(way.person, ()):
                why = gone(way.person)
            else:
                why = "the way is not configured any more"
            if why:
                self._store.drop([item.number for item in items], why, now)
                continue
            state = self._states.setdefault(way, WayState())
            for group in _groups(items):
                if state.may_go(self._due(way, group, now), now.steady_ms):
                    written = self._written(way, group, now)
                    state.under_way = True
                    yield written
                    break

    def _due(self, way: Way, group: list[Item], now: Now) -> int | None:
        pace = self._settings.pace
        sent = self._store.sent_since(way, now.steady_ms - pace.pause_ms)
        return due_ms(group, sent, pace)

    def _written(self, way: Way, group: list[Item], now: Now) -> Outgoing:
        again = self._store.trying(way, now) > 0
        writer = self._settings.writers[way.person]
        items = tuple(group)
        if items[0].kind == "summary":
            summary = self._store.summary(items[0].number)
            message = summary_message(writer, summary, now_ms=now.utc_ms, again=again)
            return Outgoing(way, items, message, frozenset())
        known = self._store.occurrences(item.key for item in items)
        alarms = [known[item.key] for item in items if item.kind == "alarm" and item.key in known]
        over = [known[item.key] for item in items if item.kind == "over" and item.key in known]
        message = writer.alarms(alarms, over, now_ms=now.utc_ms, again=again)
        standing = frozenset(one.key for one in alarms if one.over_ms is None)
        return Outgoing(way, items, message, standing)

    def ended(self, sent: Outgoing, problem: str, now: Now) -> None:
        """A try has ended: with its problem, or empty. What ended while it was under way is told to
        those who want to hear it."""
        well = False  # what cannot be noted is sent again, after a pause
        try:
            if problem:
                self._store.failed(sent.way, problem)
            else:
                self._note(sent, now)
                well = True
        finally:
            self._states[sent.way].ended(well, now.steady_ms)

    def _note(self, sent: Outgoing, now: Now) -> None:
        with self._store.together():
            self._store.went(sent.way, [item.number for item in sent.items], now)
            if sent.way.person in self._settings.over_to:
                for one in self._store.occurrences(sent.standing).values():
                    if one.over_ms is not None:
                        self._store.add(sent.way, "over", one.key, alarm=one.alarm, now=now)


def _groups(items: list[Item]) -> Iterator[list[Item]]:
    """What goes into one message: all about alarms; each summary by itself."""
    alarms = [item for item in items if item.kind != "summary"]
    if alarms:
        yield alarms
    yield from ([item] for item in items if item.kind == "summary")


def _made(move: Move, now: Now) -> Now:
    """When a move was made, by its age; one that seems to lie ahead is made now."""
    age_ms = max(0, now.utc_ms - move.at_ms)
    return Now(now.steady_ms - age_ms, now.utc_ms - age_ms)


def priority_of(word: str) -> str:
    """A priority that this release does not know is a high one."""
    return word if word in RANK else "high"
