"""A teller with a journal and a clock of the test's own, and ways that take what they are given."""

from __future__ import annotations

import gettext
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path

from alerts.test_duty import BERLIN, ms, shift
from babel import Locale

from platelink.alerts.duty import Roster
from platelink.alerts.occurrence import Move, Now
from platelink.alerts.outbox import Pace, Way
from platelink.alerts.say import Say
from platelink.alerts.store import AlertsStore
from platelink.alerts.summary import Summary
from platelink.alerts.teller import AlertSettings, Numbered, Outgoing, Teller
from platelink.alerts.wording import Message, Writer
from platelink.control.alarm.states import Act, AlarmState
from platelink.web.texts import read_languages

DAY = ms("2026-03-02T10:00+01:00")
MAIL = Way("Ruth", "mail")
PUSH = Way("Ruth", "push")
SECOND = 1000
MINUTE = 60_000


def say(language: str = "en") -> Say:
    texts = gettext.NullTranslations()
    if language != "en":
        texts = read_languages()[language].translations
    locale = Locale("en", "GB") if language == "en" else Locale.parse(language)
    return Say(locale, BERLIN, texts.gettext, texts.ngettext)


def writer(language: str = "en", page: str | None = "https://plates.example") -> Writer:
    return Writer(say(language), "unit-1", page)


def settings(*ways: Way, shifts=None, over=(), summary_at: time | None = None, **more):
    people: dict[str, tuple[Way, ...]] = {}
    for way in ways or (MAIL,):
        people[way.person] = (*people.get(way.person, ()), way)
    told = {
        "roster": Roster(shifts or (shift("00:00", "00:00", *people),), {}, BERLIN),
        "ways": people, "writers": {person: writer() for person in people},
        "over_to": frozenset(over), "pace": Pace(10 * SECOND, 10 * MINUTE),
        "summary_at": summary_at, "summary_to": tuple(people),
    } | more  # fmt: skip
    return AlertSettings(**told)


@dataclass
class Journal:
    """Moves as a journal has them."""

    uuid: str = "one"
    moves: list[Numbered] = field(default_factory=list)

    def last_number(self) -> int:
        return self.moves[-1].number if self.moves else 0

    def moves_after(self, number: int, limit: int) -> tuple[list[Numbered], int]:
        found = [one for one in self.moves if one.number > number][:limit]
        return found, found[-1].number if found else number

    def add(self, move: Move) -> None:
        self.moves.append(Numbered(self.last_number() + 1, move))


def no_one_gone(_: str) -> str:
    return ""


@dataclass
class World:
    """One unit and its alerts; ``stop`` and ``start`` are a process that ends and begins."""

    path: Path
    settings: AlertSettings
    journal: Journal = field(default_factory=Journal)
    now: Now = field(default_factory=lambda: Now(DAY, DAY))
    down: set[Way] = field(default_factory=set)
    taken: list[tuple[Way, Message]] = field(default_factory=list)
    tries: int = 0
    gone = staticmethod(no_one_gone)
    dies: tuple[type[BaseException], ...] = ()
    """Ends the process, which is begun again as systemd does."""
    fails: tuple[type[BaseException], ...] = ()
    """Ends a round of it."""
    store: AlertsStore | None = None
    teller: Teller | None = None

    def start(self) -> World:
        self.store = AlertsStore.open(self.path)
        place = self.store.place()
        steady = max(place.steady_ms if place else 0, self.now.steady_ms)
        self.now = Now(steady, self.now.utc_ms)
        self.teller = Teller(self.store, self.settings, self.now)
        self.step()
        return self

    def stop(self) -> None:
        """Ended at once: what is not committed is not there."""
        if self.store is not None:
            self.store.close()
        self.store = self.teller = None

    def alarm(self, name="contact lost", to=AlarmState.UNACKNOWLEDGED, act=Act.RAISED, **more):
        given = {"priority": "high", "value": 41.2, "limit": 60.0, "unit": "kPa"} | more
        since = given.pop("since_ms", self.now.utc_ms)
        self.journal.add(
            Move(name, given.pop("priority"), to, act, self.now.utc_ms, since, **given)
        )

    def over(self, name="contact lost", *, since_ms: int) -> None:
        to = AlarmState.RETURNED_UNACKNOWLEDGED
        self.alarm(name, to, Act.CLEARED, since_ms=since_ms)

    def run(self, seconds: float) -> list[tuple[Way, Message]]:
        """Time passes; what was taken in it. It is looked at each second, or each ten."""
        before = len(self.taken)
        step = SECOND if seconds <= 120 else 10 * SECOND
        for _ in range(round(seconds * SECOND / step)):
            self.now = Now(self.now.steady_ms + step, self.now.utc_ms + step)
            if self.teller is not None:
                self._round()
        return self.taken[before:]

    def _round(self) -> None:
        try:
            self.step()
        except self.dies:
            self.stop()
            self.start()
        except self.fails:
            pass

    def step(self) -> None:
        assert self.teller is not None
        while self.teller.read(self.journal, self.now):
            pass
        due = self.teller.summary_due(self.now)
        if due is not None:
            day, from_ms, until_ms = due
            made = Summary(from_ms, until_ms, 3, 2, 1, 0, 90.0, (), 12.0, None, ())
            self.teller.add_summary(day, made, self.now)
        self.teller.look(self.now)
        for one in self.teller.outgoing(self.now, self.gone):
            self.send(one)

    def send(self, one: Outgoing) -> None:
        assert self.teller is not None
        self.tries += 1
        if one.way in self.down:
            self.teller.ended(one, "connection refused", self.now)
            return
        self.taken.append((one.way, one.message))
        self.teller.ended(one, "", self.now)


def titles(taken: list[tuple[Way, Message]]) -> list[str]:
    return [message.title for _, message in taken]
