"""The process that tells people: clock, journal, file, children. ``teller`` says what is told."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

from platelink.alerts.journal import AlarmJournal, summary_between
from platelink.alerts.occurrence import Now
from platelink.alerts.people import entered, why_gone
from platelink.alerts.sending import Attempt, Child
from platelink.alerts.setup import section_of, settings_of, way_sections
from platelink.alerts.store import AlertsStore
from platelink.alerts.teller import Outgoing, Teller
from platelink.alerts.wording import Message
from platelink.config.model import Config
from platelink.config.services import SecretFileError
from platelink.ledger.errors import StoreError
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader

POLL_S = 0.5
PEOPLE_S = 30.0
"""How often the store of people is looked into for who has left."""
REOPEN_S = 2.0


class SteadyClock:
    """Both clocks. The steady one goes on where the process before left it, and never goes back."""

    def __init__(self, before_ms: int) -> None:
        self._ahead_ms = max(before_ms, time.time_ns() // 1_000_000) - _monotonic_ms()

    def now(self) -> Now:
        """This moment."""
        return Now(_monotonic_ms() + self._ahead_ms, time.time_ns() // 1_000_000)


def _monotonic_ms() -> int:
    return time.monotonic_ns() // 1_000_000


class AlertsProcess:
    """See the file's first line. ``told`` gets a line when something changes that a person at this
    computer should know."""

    def __init__(
        self,
        config: Config,
        told: Callable[[str], None],
        *,
        attempt: Callable[[str, Message], Attempt] = Child,
    ) -> None:
        self._config, self._told, self._attempt = config, told, attempt
        section = section_of(config)
        settings = settings_of(config)
        self._zone = settings.roster.zone
        self._ways = way_sections(section)
        self._store = AlertsStore.open(config.alerts_path())
        place = self._store.place()
        self._clock = SteadyClock(place.steady_ms if place else 0)
        self._teller = Teller(self._store, settings, self._clock.now())
        self._reader: JournalReader | None = None
        self._reopen_at = 0.0
        self._entered: dict[str, bool] | None = None
        self._people_at = float("-inf")
        self._under_way: list[tuple[Outgoing, Attempt]] = []
        self._said: dict[str, str] = {}

    def run(self, stop: threading.Event) -> None:
        """Until ``stop``; what is under way then is sent again by the next start."""
        while not stop.wait(POLL_S):
            self.step()

    def close(self) -> None:
        """End what is under way, and let the files go."""
        for _, attempt in self._under_way:
            attempt.end()
        if self._reader is not None:
            self._reader.close()
        self._store.close()

    def step(self) -> None:
        """One round. What cannot be done now is said, and done in a later one."""
        try:
            self._journal()
            self._teller.look(self._clock.now())
            self._send()
            self._say("file", "")
        except StoreError as error:
            self._say("file", str(error))

    def _journal(self) -> None:
        if self._reader is None and time.monotonic() < self._reopen_at:
            return
        try:
            if self._reader is not None and self._reader.replaced():
                self._reader.close()
                self._reader = None
            if self._reader is None:
                path, unit = self._config.journal.path, self._config.unit.name
                self._reader = JournalReader.open(path, unit=unit)
            journal = AlarmJournal(self._reader)
            while self._teller.read(journal, self._clock.now()):
                pass
            self._summary(self._reader)
            self._say("journal", "")
        except JournalError as error:
            if self._reader is not None:
                self._reader.close()
                self._reader = None
            self._reopen_at = time.monotonic() + REOPEN_S
            self._say("journal", str(error))

    def _summary(self, reader: JournalReader) -> None:
        now = self._clock.now()
        due = self._teller.summary_due(now)
        if due is None:
            return
        day, from_ms, until_ms = due
        today = datetime.fromtimestamp(now.utc_ms / 1000.0, UTC).astimezone(self._zone).date()
        made = summary_between(
            self._config, reader, self._store, from_ms=from_ms, until_ms=until_ms, today=today
        )
        self._teller.add_summary(day, made, now)

    # --- sending -----------------------------------------------------------------------------

    def _send(self) -> None:
        self._hear()
        for one in self._teller.outgoing(self._clock.now(), self._gone):
            try:
                attempt = self._attempt(self._ways[one.way].secret(), one.message)
            except (SecretFileError, OSError) as error:
                self._ended(one, str(error))
            else:
                self._under_way.append((one, attempt))

    def _hear(self) -> None:
        for pair in list(self._under_way):
            one, attempt = pair
            outcome = attempt.outcome()
            if outcome is not None:
                self._under_way.remove(pair)
                self._ended(one, outcome)

    def _ended(self, one: Outgoing, problem: str) -> None:
        person, way = one.way
        self._say(f"{person}, {way}", problem)
        self._teller.ended(one, problem, self._clock.now())

    def _gone(self, person: str) -> str:
        self._people()
        return why_gone(self._entered, person)

    def _people(self) -> None:
        """Who has left; while that cannot be read, those who were there last are told."""
        if time.monotonic() - self._people_at < PEOPLE_S:
            return
        self._people_at = time.monotonic()
        try:
            self._entered = entered(self._config)
            self._say("people", "")
        except StoreError as error:
            self._say("people", f"{error}; those who were there are notified")

    def _say(self, subject: str, problem: str) -> None:
        """Once when it begins, or is another one, and once when it is over."""
        if problem != self._said.get(subject, ""):
            self._said[subject] = problem
            self._told(f"{subject}: {problem or 'well again'}")
