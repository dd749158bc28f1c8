"""Appends to the journal that wait in memory while the disk cannot take them. No clock of its own.

What was given is written in the order given; while something waits, everything after it waits too.
A run that has begun is never refused for want of space: it goes on and its record is complete once
there is space again. A new run is refused until then, so what waits is bounded by the open runs.

Kept state is never newer on disk than the entries given before it. Of what waits only the newest
value of a name is held, apart from values given in one commit with entries: they stay with them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pydantic import JsonValue

from platelink.record.anew import Anew
from platelink.record.errors import (
    JournalDamaged,
    JournalError,
    JournalRefused,
    JournalUnavailable,
    NotAJournal,
)
from platelink.record.journal import Appendable, Journal
from platelink.record.known import Mark
from platelink.record.snapshots import to_text
from platelink.runs import EndState, RunStart, SampleBlock

RETRY_S = 0.5
"""A locked file costs the caller a short wait at each try."""

Write = Callable[[], object]
State = dict[str, tuple[datetime, str | None]]
"""When each name was given, and its value as text: as it was then."""


@dataclass(frozen=True, slots=True)
class WriterStatus:
    """What waits, for a face; ``since`` and ``fault`` are of the oldest that waits."""

    pending: int
    since: float | None
    fault: str
    refused: int


@dataclass(slots=True, eq=False)
class _Item:
    """One commit: entries and the state that follows from them."""

    since: float
    entries: list[Write] = field(default_factory=list)
    state: State = field(default_factory=dict)
    begins: bool = False
    """True with the start of a run: it is written now or refused."""


class JournalWriter:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, journal: Journal, new_uuid: Callable[[], str] = str) -> None:
        """``new_uuid`` identifies a journal begun anew."""
        self.journal = journal
        self._new_uuid = new_uuid
        self.anew: list[Anew] = []
        """Each time the journal was begun anew, for whoever tells of it."""
        self._waiting: deque[_Item] = deque()
        self._gathered: _Item | None = None
        self._fault = ""
        self._refused = 0
        self._retry_at = 0.0

    def next_id(self) -> str:
        """The id of the next entry given, counting those that wait."""
        journal = self.journal
        waiting = sum(len(item.entries) for item in self._waiting)
        gathered = len(self._gathered.entries) if self._gathered else 0
        reader = journal.reader
        return reader.id_of(reader.number_of(journal.next_id()) + waiting + gathered)

    def append(self, entry: Appendable, *, now: float) -> None:
        """Write the entry, or keep it until it can be written.

        A RunStart is never kept: JournalUnavailable says why no run may begin. JournalRefused as
        from the journal itself."""
        begins = isinstance(entry, RunStart)
        if begins:
            self._must_not_wait(now)
        if self._waiting or entry.id == self.next_id():
            self._entry(lambda: self.journal.append(self._numbered(entry)), now, begins=begins)
        else:  # refused
            self._entry(lambda: self.journal.append(entry), now, begins=begins)

    def append_samples(
        self, run_id: str, block: SampleBlock, at_utc: datetime, *, now: float
    ) -> None:
        """Write the samples, or keep them; see ``append``."""
        if len(block):
            self._entry(lambda: self.journal.append_samples(run_id, block, at_utc), now)

    def end_run(
        self,
        run_id: str,
        at_utc: datetime,
        state: EndState,
        reason: str,
        *,
        now: float,
        **known: Any,
    ) -> None:
        """Write the end of the run, or keep it; ``known`` as for ``Journal.end_run``."""
        self._entry(lambda: self.journal.end_run(run_id, at_utc, state, reason, **known), now)

    def keep(self, values: Mapping[str, JsonValue | None], *, at_utc: datetime, now: float) -> None:
        """Write the state as ``Journal.keep``, or the newest of each name once that is possible."""
        state: State = {name: (at_utc, to_text(name, value)) for name, value in values.items()}
        if self._gathered is not None:
            self._gathered.state |= state
        elif state:
            self._give(_Item(now, state=state), now)

    @contextmanager
    def together(self, *, now: float) -> Iterator[None]:
        """All that is given inside becomes one commit at the end of the block, now or later.

        An error raised inside: nothing of it is given. JournalRefused: one of it contradicts the
        record, and only that is left out; with a RunStart among it, all is."""
        if self._gathered is not None:
            raise RuntimeError("together cannot be nested")
        self._gathered = gathered = _Item(now)
        try:
            yield
        finally:
            self._gathered = None
        if gathered.entries or gathered.state:
            self._give(gathered, now)

    def retry(self, *, now: float) -> int:
        """Write what waits, if it is time to try again; how many were written."""
        written = 0
        while self._waiting and now >= self._retry_at:
            item = self._waiting[0]
            try:
                self._commit(item)
                written += _parts(item)
            except JournalRefused as error:
                if _parts(item) > 1:
                    self._split(item)
                    continue
                # Nobody is left to tell: it was given long ago. Counted and shown.
                self._fault = str(error)
                self._refused += 1
            except JournalError as error:
                self._wait(error, now)
                break
            self._waiting.popleft()
        return written

    def next_deadline(self) -> float | None:
        """When to call ``retry``; None while nothing waits."""
        return self._retry_at if self._waiting else None

    def status(self) -> WriterStatus:
        """What waits and why."""
        since = self._waiting[0].since if self._waiting else None
        fault = self._fault if self._waiting or self._refused else ""
        return WriterStatus(sum(map(_parts, self._waiting)), since, fault, self._refused)

    # --- one commit ------------------------------------------------------------------------

    def _entry(self, write: Write, now: float, *, begins: bool = False) -> None:
        if self._gathered is not None:
            self._gathered.entries.append(write)
            self._gathered.begins |= begins
        else:
            self._give(_Item(now, [write], begins=begins), now)

    def _give(self, item: _Item, now: float) -> None:
        self.retry(now=now)
        if not self._waiting:
            try:
                self._commit(item)
                return
            except JournalRefused:
                if item.begins or _parts(item) == 1:
                    raise
                self._waiting.append(item)
                self._split(item)
                self.retry(now=now)
                raise
            except JournalError as error:  # also one that only a person can mend: a run goes on
                if item.begins:
                    raise
                self._wait(error, now)
        if item.state:
            item.state = self._take_loose_state() | item.state
        self._waiting.append(item)

    def _commit(self, item: _Item) -> None:
        """In a journal that is whole after it: what went into a damaged one is written again, into
        a fresh one."""
        mark = self.journal.mark()
        try:
            if self.journal.damage:
                self.journal.must_be_whole()
            self._carry_out(item)
            self.journal.must_be_whole()
        except (JournalDamaged, NotAJournal) as error:
            self._begin_anew(mark, str(error))
            self._carry_out(item)

    def watch(self, *, now: float) -> None:
        """Look whether the journal is whole while nothing is written."""
        try:
            self.journal.must_be_whole()
        except JournalDamaged as error:
            try:
                self._begin_anew(self.journal.mark(), str(error))
            except JournalError as worse:
                self._wait(worse, now)

    def _begin_anew(self, mark: Mark, why: str) -> None:
        self.anew.append(self.journal.begin_anew(mark, why, new_uuid=self._new_uuid()))

    def _carry_out(self, item: _Item) -> None:
        writes = [*item.entries, *(_keeping(self.journal, *one) for one in item.state.items())]
        if len(writes) == 1:
            writes[0]()
        else:
            self.journal.together(writes)

    def _split(self, item: _Item) -> None:
        """Let the parts of the foremost go their own ways: one of them is refused."""
        self._waiting.popleft()
        parts = [_Item(item.since, [write]) for write in item.entries]
        if item.state:
            parts.append(_Item(item.since, state=item.state))
        self._waiting.extendleft(reversed(parts))

    def _take_loose_state(self) -> State:
        """The newest state that waits without entries: it is written with newer state instead."""
        taken: State = {}
        for item in tuple(self._waiting):
            if item.entries:
                taken = {name: kept for name, kept in taken.items() if name not in item.state}
            else:
                taken |= item.state
                self._waiting.remove(item)
        return taken

    def _wait(self, error: JournalError, now: float) -> None:
        self._fault = str(error)
        self._retry_at = now + RETRY_S

    def _must_not_wait(self, now: float) -> None:
        self._retry_at = now
        self.retry(now=now)
        if self._waiting:
            raise JournalUnavailable(
                f"no run can begin: {self.status().pending} entries wait to be written; "
                f"{self._fault}"
            )

    def _numbered(self, entry: Appendable) -> Appendable:
        """The entry with the id it gets now: one refused before it leaves its number free."""
        wanted = self.journal.next_id()
        return entry if entry.id == wanted else entry.model_copy(update={"id": wanted})


def _parts(item: _Item) -> int:
    """Its entries, and one for its state."""
    return len(item.entries) + bool(item.state)


def _keeping(journal: Journal, name: str, kept: tuple[datetime, str | None]) -> Write:
    at_utc, text = kept
    return lambda: journal.keep_texts({name: text}, at_utc)
