"""Keeps copies of all journals: a subscriber like the recorder, with a durable session of its own.

A message is acknowledged to the broker when its entry is on disk. Units hear which entries are
here, and send again what is missing, beside what is new (``publish/repair.py``).
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from platelink.fleet.copies import Copies
from platelink.fleet.intake import Good, judge
from platelink.ledger.by import from_ms
from platelink.publish.broker import (
    REFUSED,
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerLink,
    BrokerSettings,
    Connected,
    Received,
)
from platelink.publish.links import ListeningLink
from platelink.publish.ranges import Ranges
from platelink.publish.rounds import in_rounds
from platelink.publish.teller import KEPT_S, Teller, Unit
from platelink.publish.topics import ROOT, TopicError, Topics, recorder_filters
from platelink.record.errors import JournalError

POLL_S = 0.1
CHECKPOINTS = f"{ROOT}/+/+/checkpoint"
CHECKPOINT = "checkpoint"
"""File of the newest head of a unit's log of seals."""
LONGEST_CHECKPOINT = 100_000
MOST_TOLD = 200
"""Ranges of one journal, to publishers: the holes between the others follow."""


@dataclass(frozen=True, slots=True)
class KeepSettings:
    broker: BrokerSettings
    folder: Path
    name: str
    """Of the session with the broker; one for each process."""


@dataclass(frozen=True, slots=True)
class KeepStatus:
    """What is shown; the problem is empty while everything works."""

    connected: bool
    units: int
    received: int
    """Messages since the start."""
    refused: int
    """Of them those that are not kept."""
    last_refusal: str
    problem: str

    def text(self) -> str:
        """In one line, and further ones for what is the matter."""
        lines = [
            f"{'connected' if self.connected else 'not connected'}; {_many(self.units, 'unit')}, "
            f"{_many(self.received, 'message')} received, {self.refused} of them refused"
        ]
        lines += [f"the last one refused: {self.last_refusal}"] if self.last_refusal else []
        lines += [f"problem: {self.problem}"] if self.problem else []
        return "\n".join(lines)


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


class Keeper:
    """Make it, ``run`` it in that thread, ``close`` it."""

    def __init__(self, settings: KeepSettings) -> None:
        self._settings = settings
        self.copies = Copies(settings.folder)
        self._link = ListeningLink(
            settings.broker, f"platelink-copies-{settings.name}",
            [*recorder_filters(None), CHECKPOINTS],
        )  # fmt: skip
        self._teller = Teller(f"fleet-{settings.name}", None)
        self._received = self._refused = 0
        self._last_refusal = self._files_problem = ""
        self._forbidden = ""
        """Why nobody is told what is here."""

    def run(
        self, stop: threading.Event, report: Callable[[KeepStatus], None], *, report_every_s: float
    ) -> None:
        """Work until ``stop`` is set; ``report`` is called now and then, in this thread."""
        in_rounds(self.step, lambda: report(self.status()), stop, every_s=report_every_s)

    def step(self) -> None:
        """One round: receive, keep, acknowledge, say what is here."""
        self._receive()
        if self._link.up is not None:
            self._tell(self._link.up)

    def status(self) -> KeepStatus:
        return KeepStatus(
            connected=self._link.up is not None,
            units=len(self.copies.units()),
            received=self._received,
            refused=self._refused,
            last_refusal=self._last_refusal,
            problem=self._link.problem or self._files_problem or self._forbidden,
        )

    def close(self) -> None:
        """What is not acknowledged comes again."""
        self._link.close()
        self.copies.close()

    def _receive(self) -> None:
        messages: list[Received] = []
        for event in self._link.poll(POLL_S):
            match event:
                case Received():
                    messages.append(event)
                case Connected():
                    self._teller.connected()
                case Acknowledged(_, code, _) if code == SERVER_UNAVAILABLE:
                    self._teller.took(self.copies.units())  # said to nobody: say it again
                case Acknowledged(_, code, reason) if code >= REFUSED:
                    self._forbidden = (
                        f"the broker rejects the list of what is here ({reason}): give this user "
                        f"the right to write {ROOT}/+/+/held/+"
                    )
        if messages and self._keep(messages):
            self._link.acknowledge(*messages)

    def _keep(self, messages: list[Received]) -> bool:
        """False, and the connection is left, where the disk does not take them: the broker keeps
        them and sends them again."""
        good: list[Good] = []
        for message in messages:
            if message.topic.endswith(f"/{CHECKPOINT}"):
                self._checkpoint(message)
                continue
            self._received += 1
            judged = judge(message.topic, message.payload)
            if isinstance(judged, Good):
                good.append(judged)
            else:
                self._refuse(f"{message.topic:.200}: {judged}")
        try:
            for one in self.copies.take(good):
                self._refuse(f"{one.whose.site}/{one.whose.unit} {one.entry_id}: {one.reason}")
        except JournalError as fault:
            self._link.lost(f"left until the copies can be written again: {fault}")
            return False
        self._teller.took({(one.whose.site, one.whose.unit) for one in good})
        return True

    def _refuse(self, why: str) -> None:
        self._refused += 1
        self._last_refusal = why[:500]

    def _checkpoint(self, message: Received) -> None:
        site, unit = message.topic.removeprefix(f"{ROOT}/").split("/")[:2]
        try:
            Topics(site, unit)
            if not 0 < len(message.payload) <= LONGEST_CHECKPOINT:
                return
            folder = self._settings.folder / site / unit
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            new = folder / f".{CHECKPOINT}"
            new.write_bytes(message.payload)
            os.replace(new, folder / CHECKPOINT)
            self._files_problem = ""
        except TopicError as fault:
            self._refuse(str(fault))
        except OSError as fault:
            self._files_problem = f"a checkpoint cannot be kept: {fault}"

    def _tell(self, link: BrokerLink) -> None:
        """Units hear which of their entries are here, and send what is missing."""
        if self._forbidden:
            return  # some brokers leave a client that writes where it may not
        try:
            for unit in self._teller.due(self.copies.units, now=time.monotonic()):
                held = dict(self._held(unit))
                words = self._teller.words(unit, held, from_ms(time.time_ns() // 1_000_000))
                link.publish(words.topic, words.payload, retain=True, expiry_s=KEPT_S)
        except JournalError as fault:
            self._files_problem = str(fault)

    def _held(self, unit: Unit) -> Iterator[tuple[str, Ranges]]:
        for journal, ranges in self.copies.held(unit).items():
            yield journal, ranges[:MOST_TOLD]
