"""When rows go to the store, and when they may be forgotten. Pure.

Rule 1: "written" is not "kept". A store that is killed loses what it accepted in the last seconds.
A row is forgotten only when the very process that took it was still running ``hold_s`` later.
Rule 2: a store process is known by the start time it reports. That has whole seconds, so a store
that died within a second of its start could not be told from its successor: what was written
before the start time had been seen for ``young_s`` is written once more.
Rule 3: lost connections are tried again for ever; refused rows are parted until the bad one stands
alone and is set aside with the reason. Neither stops the other rows.
Writing a row again is harmless: same series, same time, same value.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain, islice
from typing import Literal, NamedTuple

from platelink.backoff import Backoff


class Row(NamedTuple):
    """A row of the recorder's journal: its number and how many lines it holds."""

    number: int
    lines: int


@dataclass(frozen=True, slots=True)
class UploadSettings:
    min_lines: int = 100
    """Fewer are sent only after ``flush_s``: below that the client library is the limit."""
    max_lines: int = 5000
    flush_s: float = 1.0
    hold_s: float = 15.0
    """In trials a kill lost the last 5 to 8 s of accepted points: twice that."""
    young_s: float = 2.0
    poll_s: float = 5.0
    """How often the start time is asked for while anything is unconfirmed."""
    retry_first_s: float = 0.5
    retry_cap_s: float = 30.0
    confirm: Literal["auto", "restart", "hold"] = "auto"
    """restart: by start time, and never without one. hold: after hold_s without a lost
    connection, for a store that flushes to disk before it answers. auto: restart if the store
    reports a start time, else hold."""


@dataclass(frozen=True, slots=True)
class AskStore:
    """Ask for the start time: answer with store_seen or store_lost."""


@dataclass(frozen=True, slots=True)
class Write:
    """Write these rows: answer with written, write_lost or write_refused."""

    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Confirm:
    """The store has surely kept these rows: forget them."""

    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class SetAside:
    """The store refuses this row for what is in it."""

    row: Row
    reason: str


Action = AskStore | Write | Confirm | SetAside


@dataclass(slots=True)
class _Written:
    rows: tuple[Row, ...]
    at: float
    sure: bool
    """Written when the start time had been known for young_s."""


class Upload:
    """State of the uploads of one recorder. At most one AskStore or Write is open at a time.
    ``rows`` are those the journal still holds at the start: all are sent (again)."""

    def __init__(self, settings: UploadSettings, *, rows: Iterable[Row], now: float) -> None:
        self.settings = settings
        self.store_start: float | None = None
        """Start time that the store reports, seconds since 1970; None: unknown or not reported."""
        self.store_restarts = 0
        self.lines_written = 0
        self.rows_written_again = 0
        self._problem = ""
        self._took = False
        """It has taken a write since a row was set aside."""
        self._doubt = ""
        """Why it takes nothing, where it answers; empty while it does."""
        self._refusals = Backoff(settings.retry_first_s, settings.retry_cap_s)
        self._pending: deque[Row] = deque(rows)
        self._parts: deque[tuple[Row, ...]] = deque()
        self._unconfirmed: deque[_Written] = deque()
        self._waiting_since = now - settings.flush_s
        self._known = False
        self._ask_first = False
        self._start_seen_at = now
        self._asked_at = float("-inf")
        self._opened_at = now
        self._retry_at = float("-inf")
        self._backoff = Backoff(settings.retry_first_s, settings.retry_cap_s)
        self._open: AskStore | Write | None = None

    @property
    def problem(self) -> str:
        """Why nothing is written at present; empty while it is."""
        return self._problem or self._doubt

    @property
    def pending(self) -> int:
        """Rows to be written."""
        return len(self._pending) + sum(len(part) for part in self._parts)

    @property
    def oldest(self) -> Row | None:
        """The row that waits longest to be written."""
        if isinstance(self._open, Write):
            return self._open.rows[0]
        return next(chain(chain.from_iterable(self._parts), self._pending), None)

    @property
    def unconfirmed(self) -> int:
        """Rows written, and not yet surely kept."""
        return sum(len(written.rows) for written in self._unconfirmed)

    def add(self, rows: Iterable[Row], *, now: float) -> None:
        """Rows that the journal has just taken."""
        if not self._pending:
            self._waiting_since = now
        self._pending.extend(rows)

    def tick(self, *, now: float) -> tuple[Action, ...]:
        """The next thing to do, if any; call again after it was done and answered."""
        if self._open is not None or now < self._retry_at:
            return ()
        self._opened_at = now
        self._write_again([w for w in self._unconfirmed if not w.sure and self._is_grown(now)])
        if self._must_ask(now):
            self._asked_at = now
            self._open = AskStore()
            return (self._open,)
        rows = self._next_batch(now)
        if rows:
            self._open = Write(rows)
            return (self._open,)
        return ()

    def store_seen(self, start: float | None, *, now: float) -> tuple[Confirm, ...]:
        """The store answers, and has been running since ``start`` (None: does not say)."""
        self._open = None
        if self._known and start != self.store_start:
            self.store_restarts += 1
            self._write_again(list(self._unconfirmed))
        if not self._known or start != self.store_start:
            self._start_seen_at = now
        self.store_start = start
        self._known = True
        self._ask_first = False
        self._working()
        if start is None and self.settings.confirm == "restart":
            self._problem = "the store reports no start time: nothing can be confirmed by it"
            return ()
        return self._confirm_old()

    def lost(self, reason: str, *, now: float) -> None:
        """No answer to what is open."""
        if isinstance(self._open, Write):
            self.write_lost(reason, now=now)
        else:
            self.store_lost(reason, now=now)

    def store_lost(self, reason: str, *, now: float) -> None:
        self._open = None
        self._lost(reason, now)

    def written(self, *, now: float) -> None:
        """The store has accepted the open write."""
        rows = self._close_write()
        self._unconfirmed.append(_Written(rows, now, self._is_grown(self._opened_at)))
        self.lines_written += sum(row.lines for row in rows)
        self._took, self._doubt = True, ""
        self._refusals.succeeded()
        self._working()

    def write_lost(self, reason: str, *, now: float) -> None:
        """No answer, or one that has nothing to do with the data."""
        self._pending.extendleft(reversed(self._close_write()))
        self._lost(reason, now)

    def write_refused(self, reason: str, *, now: float) -> tuple[SetAside, ...]:
        """The store says that the data of the open write is bad. Where it takes no other row
        either, that is no fault of a row: none goes aside but for one that it took."""
        rows = self._close_write()
        self._working()
        if len(rows) == 1 and self._took:
            self._took = False
            return (SetAside(rows[0], reason),)
        if len(rows) == 1:
            self._pending.append(rows[0])  # others first
            self._doubt = (
                f"{reason}; nor has it taken another row lately: check [store] url, org, bucket"
            )
            if not self._parts:
                self._retry_at = now + self._refusals.failed()
            return ()
        middle = len(rows) // 2
        self._parts.extendleft((rows[middle:], rows[:middle]))
        return ()

    def _by_start(self) -> bool:
        return self.store_start is not None and self.settings.confirm != "hold"

    def _is_grown(self, t: float) -> bool:
        """True if the store's process could at ``t`` be told from any that may follow it."""
        return t - self._start_seen_at >= self.settings.young_s or not self._by_start()

    def _confirm_old(self) -> tuple[Confirm, ...]:
        """Everything that was written hold_s before the store's last sign of life."""
        confirmed: list[Row] = []
        limit = self._asked_at - self.settings.hold_s
        while self._unconfirmed and self._unconfirmed[0].sure and self._unconfirmed[0].at <= limit:
            confirmed += self._unconfirmed.popleft().rows
        return (Confirm(tuple(confirmed)),) if confirmed else ()

    def _must_ask(self, now: float) -> bool:
        if not self._known:
            return self.pending > 0 or bool(self._unconfirmed)
        if self._ask_first:
            return True
        if not self._unconfirmed:
            return False
        due = self._unconfirmed[0].at + self.settings.hold_s
        return self._asked_at < due <= now or now >= self._asked_at + self.settings.poll_s

    def _next_batch(self, now: float) -> tuple[Row, ...]:
        if self._parts:
            return self._parts.popleft()
        # Every row has a line or more, so this many rows are enough to look at.
        lines = sum(row.lines for row in islice(self._pending, self.settings.min_lines))
        waited_s = now - self._waiting_since
        if lines < self.settings.min_lines and (lines == 0 or waited_s < self.settings.flush_s):
            return ()
        batch = [self._pending.popleft()]
        most = self.settings.min_lines if self._doubt else self.settings.max_lines
        free_lines = most - batch[0].lines
        while self._pending and self._pending[0].lines <= free_lines:
            free_lines -= self._pending[0].lines
            batch.append(self._pending.popleft())
        self._waiting_since = now
        return tuple(batch)

    def _write_again(self, batches: list[_Written]) -> None:
        for written in reversed(batches):
            self._unconfirmed.remove(written)
            self._pending.extendleft(reversed(written.rows))
            self.rows_written_again += len(written.rows)

    def _close_write(self) -> tuple[Row, ...]:
        assert isinstance(self._open, Write)
        rows = self._open.rows
        self._open = None
        return rows

    def _lost(self, reason: str, now: float) -> None:
        self._problem = reason
        self._retry_at = now + self._backoff.failed()
        self._ask_first = True  # the process that comes back may be another one
        if not self._by_start():
            self._write_again(list(self._unconfirmed))

    def _working(self) -> None:
        self._backoff.succeeded()
        self._problem = ""
