"""Units of a simulated group as processes: one that writes all their journals in real time, and
some that publish them, each unit by a publisher of its own as its daemon has it.

``python -m platelink.simulated.group_units write DIRECTORY``
``python -m platelink.simulated.group_units publish DIRECTORY FIRST LAST``

They tell by lines of JSON how they stand, and end on SIGTERM.
"""

from __future__ import annotations

import heapq
import json
import os
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from platelink.publish.broker import BrokerSettings
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings, PublisherStatus
from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.reader import JournalReader
from platelink.simulated.bench_processes import used
from platelink.simulated.group_plate import BALLAST_BYTES, Pattern, begins_before, load

SITE: Final = "invented-group"
TELL_S: Final = 0.25
_PLAN = "plan.json"


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """A unit of the group."""

    name: str
    password: str
    first_ms: int
    """When the plate that it makes when all begins was begun."""
    before: int = 0
    """Plates that it has made before and nobody has heard of."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the processes of units are told."""

    port: int
    """The broker's."""
    units: tuple[UnitPlan, ...]

    def save(self, directory: Path) -> None:
        """For ``plan_of``."""
        path = directory / _PLAN
        path.touch(mode=0o600)
        path.write_text(json.dumps(asdict(self)), "utf-8")


def plan_of(directory: Path) -> Plan:
    """As it was saved."""
    told = json.loads((directory / _PLAN).read_text("utf-8"))
    return Plan(told["port"], tuple(UnitPlan(**unit) for unit in told["units"]))


def journal_of(directory: Path, unit: str) -> Path:
    """A unit's journal."""
    return directory / f"{unit}.sqlite"


def allow_files() -> None:
    """As many open files as the computer lets us have."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


class _Writing:
    """A unit's journal, and what comes next."""

    def __init__(self, directory: Path, pattern: Pattern, unit: UnitPlan) -> None:
        self.pattern = pattern
        self.journal = Journal.open(
            journal_of(directory, unit.name),
            unit=unit.name, new_uuid=unit.name, ballast_bytes=BALLAST_BYTES,
        )  # fmt: skip
        self._due = pattern.due(unit.first_ms)
        self.due_ms, self._begun_ms, self._piece = next(self._due)

    def write_before(self, unit: UnitPlan) -> None:
        """What it has made before, and put together as a daemon does in quiet times."""
        for begun_ms in begins_before(unit.first_ms, unit.before):
            self.journal.together(
                [partial(self.pattern.append, self.journal, piece, begun_ms)
                 for piece in self.pattern.pieces]
            )  # fmt: skip
        packer = Packer(self.journal.beside)
        while unit.before and packer.step():
            pass

    def write_past(self, now_ms: int) -> None:
        """What of the present plate is over."""
        writes = []
        while self.due_ms <= now_ms:
            writes.append(self._now())
            self._take_next()
        if writes:
            self.journal.together(writes)

    def write_next(self) -> None:
        """What is due."""
        self._now()()
        self._take_next()

    def _now(self) -> Callable[[], None]:
        return partial(self.pattern.append, self.journal, self._piece, self._begun_ms)

    def _take_next(self) -> None:
        self.due_ms, self._begun_ms, self._piece = next(self._due)


def write(directory: Path, stop: threading.Event) -> None:
    """Write the journals: what is past at once, what comes when it is due."""
    pattern, plan = load(directory), plan_of(directory)
    with ExitStack() as open_files:
        units = []
        for planned in plan.units:
            unit = _Writing(directory, pattern, planned)
            open_files.callback(unit.journal.close)
            unit.write_before(planned)
            units.append(unit)
        for unit in units:
            unit.write_past(utc_ms())
        heap = [(unit.due_ms, n) for n, unit in enumerate(units)]
        heapq.heapify(heap)
        _tell(ready=True)
        late_ms: list[int] = []
        while not stop.is_set():
            wait_ms = heap[0][0] - utc_ms()
            if wait_ms > 0:
                stop.wait(min(wait_ms / 1000.0, TELL_S))
                continue
            due_ms, n = heap[0]
            units[n].write_next()
            late_ms.append(utc_ms() - due_ms)
            heapq.heapreplace(heap, (units[n].due_ms, n))
        late_p99_ms = float(np.percentile(late_ms, 99)) if late_ms else 0.0
        _tell(ready=True, written=len(late_ms), late_p99_s=late_p99_ms / 1000.0)


def publish(directory: Path, first: int, last: int, stop: threading.Event) -> None:
    """Publish what these units write, until ``stop``."""
    pattern, plan = load(directory), plan_of(directory)
    units = plan.units[first:last]
    publishers = [_publisher(directory, plan.port, unit) for unit in units]
    publishers[0].start()
    while not publishers[0].status().acknowledged and not stop.wait(TELL_S):
        pass
    _, alone_mb = used(os.getpid())
    for publisher in publishers[1:]:
        publisher.start()
    while not stop.wait(TELL_S):
        now_ms = utc_ms()
        for unit, publisher in zip(units, publishers, strict=True):
            publisher.report(pattern.detail(unit.first_ms, now_ms))
        _tell_of([publisher.status() for publisher in publishers], alone_mb)
    for publisher in publishers:
        publisher.stop(0.0)
    for publisher in publishers:
        publisher.stop()
    _tell_of([publisher.status() for publisher in publishers], alone_mb)


def _publisher(directory: Path, port: int, unit: UnitPlan) -> Publisher:
    """As a daemon makes it."""
    journal = journal_of(directory, unit.name)
    broker = BrokerSettings("127.0.0.1", port, f"{SITE}/{unit.name}", unit.password)
    return Publisher(
        PublisherSettings(broker=broker, site=SITE, unit=unit.name),
        open_source=lambda: JournalReader.open(journal),
        cursor_path=journal.with_suffix(".cursor"),
    )


def _tell_of(found: Sequence[PublisherStatus], alone_mb: float) -> None:
    _tell(
        units=len(found),
        connected=sum(status.connected for status in found),
        sent_again=sum(status.sent_again for status in found),
        connections=sum(status.connections for status in found),
        problem=next((status.problem for status in found if status.problem), ""),
        alone_mb=alone_mb,
    )


def _tell(**values: Any) -> None:
    sys.stdout.write(json.dumps(values) + "\n")
    sys.stdout.flush()


def utc_ms() -> int:
    """Now."""
    return time.time_ns() // 1_000_000


def main(arguments: Sequence[str]) -> None:
    """See the file's first lines."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    allow_files()
    what, directory = arguments[0], Path(arguments[1])
    if what == "write":
        write(directory, stop)
    else:
        publish(directory, int(arguments[2]), int(arguments[3]), stop)


if __name__ == "__main__":
    main(sys.argv[1:])
