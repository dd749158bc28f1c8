"""Messages a second that brokers acknowledge and the recorder takes: the table of docs/scale.md.

    PYTHONPATH=tests .venv/bin/python -m system_services.throughput

The real servers on their shipped configuration, all on this machine, their files where TMPDIR says.
Each publisher is a process with 16 messages in flight, as a unit has.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from multiprocessing.synchronize import Barrier
from pathlib import Path

from system_services.cluster import Cluster

from platelink.publish.broker import (
    REFUSED,
    Acknowledged,
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
)
from platelink.publish.links import link_to
from platelink.publish.recorder import Recorder, RecorderSettings, RecorderStatus
from platelink.publish.services import BrokerService, StoreService
from platelink.publish.store import StoreSettings
from platelink.publish.subjects import partition_of
from platelink.publish.topics import Topics, recorder_filters
from platelink.runs import AnyEntry
from platelink.simulated.bench_recorder import SITE, _again, _publish, _recorded

WINDOW = 16
SECONDS = 8.0
FLUSHES = 300


def flushes_per_s(folder: Path) -> float:
    """4 kB appended and on the disk, one after the other."""
    with (folder / "flushed").open("wb", buffering=0) as file:
        begin = time.perf_counter()
        for _ in range(FLUSHES):
            file.write(bytes(4096))
            os.fdatasync(file.fileno())
        return FLUSHES / (time.perf_counter() - begin)


def units(count: int, partitions: int) -> list[str]:
    """Names of units that are spread evenly."""
    found: list[str] = []
    number = 0
    while len(found) < count:
        number += 1
        if partition_of(SITE, f"unit-{number}", partitions) == len(found) % partitions:
            found.append(f"unit-{number}")
    return found


def connected(settings: BrokerSettings, unit: str) -> BrokerLink:
    """Tried again, as a unit does: a cluster may take its time to make the streams."""
    while True:
        link = link_to(settings, client_id=f"throughput-{unit}", receive_maximum=WINDOW)
        try:
            link.connect()
        except BrokerError:
            continue
        return link


def publish(
    settings: BrokerSettings, unit: str, seconds: float, begin: Barrier, came: Callable[[int], None]
) -> None:
    """What is acknowledged within that time."""
    link = connected(settings, unit)
    while not any(isinstance(event, Connected) for event in link.poll(0.1)):
        pass
    topics, in_flight, acknowledged = Topics(SITE, unit), 0, 0
    ready = [
        (topics.of(entry), entry.model_dump_json().encode(), entry.id)
        for entry in _again(_recorded(), unit, 40)
    ]
    begin.wait()
    end, sent = time.monotonic() + seconds, 0
    while (now := time.monotonic()) < end or in_flight:
        while now < end and in_flight < WINDOW:
            topic, payload, entry_id = ready[sent % len(ready)]
            link.publish(topic, payload, entry_id=f"{entry_id}-{sent}")
            sent, in_flight = sent + 1, in_flight + 1
        answers = [event for event in link.poll(1.0) if isinstance(event, Acknowledged)]
        assert not [answer for answer in answers if answer.code >= REFUSED], answers
        in_flight -= len(answers)
        acknowledged += len(answers) if now < end else 0
    came(acknowledged)
    link.close()


def acknowledged_per_s(settings: Sequence[BrokerSettings], names: Sequence[str], s: float) -> float:
    """By that many publishers together."""
    context = multiprocessing.get_context("spawn")
    begin, came = context.Barrier(len(names) + 1), context.SimpleQueue()
    children = [
        context.Process(target=publish, args=(one, name, s, begin, came.put), daemon=True)
        for one, name in zip(settings, names, strict=True)
    ]
    for child in children:
        child.start()
    begin.wait(180.0)
    for child in children:
        child.join(s + 60.0)
        if child.exitcode != 0:
            raise SystemExit(f"a publisher ended with {child.exitcode}")
    return sum(came.get() for _ in children) / s


def record(
    settings: BrokerSettings, folder: Path, store: str, total: int,
    came: Callable[[tuple[float, int]], None],
) -> None:  # fmt: skip
    """The recorder, until it has taken so many."""
    stop = threading.Event()

    def report(status: RecorderStatus) -> None:
        came((time.monotonic(), status.counts.received))
        if status.counts.received >= total:
            stop.set()

    Recorder(
        RecorderSettings(settings, StoreSettings(store), folder / "recorder.db", "throughput")
    ).run(stop, report, report_every_s=0.1)


def taken_per_s(
    settings: Callable[[str], BrokerSettings], folder: Path, entries: Sequence[AnyEntry]
) -> float:
    """By the recorder, of what waits: from the first look that finds something to the last; where
    one look finds all, since its start."""
    _publish(settings("unit-1"), "unit-1", entries)
    store = StoreService(folder / "store")
    context = multiprocessing.get_context("spawn")
    came = context.SimpleQueue()
    child = context.Process(
        target=record, daemon=True,
        args=(settings("recorder"), folder, store.url, len(entries), came.put),
    )  # fmt: skip
    store.start()
    try:
        child.start()
        looks = [(time.monotonic(), 0), came.get()]
        while looks[-1][1] < len(entries):
            looks.append(came.get())
        child.join(60.0)
    finally:
        store.stop()
    begun = next(look for look in looks if look[1])
    (first_at, first), (last_at, last) = begun if begun != looks[-1] else looks[0], looks[-1]
    return (last - first) / (last_at - first_at)


@contextmanager
def mosquitto(folder: Path, names: Sequence[str]) -> Iterator[Callable[[str], BrokerSettings]]:
    """It keeps what comes for a recorder that is away."""
    broker = BrokerService(folder, *(f"{SITE}/{name}" for name in names))
    broker.start()
    try:
        link = link_to(broker.settings("recorder"), client_id="recorder", receive_maximum=100)
        link.connect()
        while not any(isinstance(event, Connected) for event in link.poll(0.1)):
            pass
        link.subscribe(recorder_filters(None))
        link.poll(0.5)
        link.close()
        yield lambda user: broker.settings(user if user == "recorder" else f"{SITE}/{user}")
    finally:
        broker.stop()


@contextmanager
def jetstream(
    folder: Path, nodes: int, replicas: int, partitions: int
) -> Iterator[Callable[[str], BrokerSettings]]:
    with Cluster(folder, f"{SITE}/unit-1", nodes=nodes) as cluster:

        def settings(user: str) -> BrokerSettings:
            found = cluster.settings(
                "recorder" if user == "recorder" else "operator",
                replicas=replicas, partitions=partitions, stream_bytes=2_000_000_000,
            )  # fmt: skip
            found = replace(found, connect_timeout_s=30.0)  # several at once make the streams
            return found if user == "recorder" else replace(found, password="operator")

        yield settings


def broker(
    folder: Path, names: Sequence[str], nodes: int, replicas: int, partitions: int
) -> AbstractContextManager[Callable[[str], BrokerSettings]]:
    if not nodes:
        return mosquitto(folder, names)
    return jetstream(folder, nodes, replicas, partitions)


def main(seconds: float = SECONDS, runs: float = 300) -> None:
    """The table."""
    entries = list(_again(_recorded(), "unit-1", round(runs)))
    size = sum(len(entry.model_dump_json()) for entry in entries) / len(entries)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"{size:,.0f} bytes a message\n")
        print("| broker | disk flushes | 1 publisher | 4 publishers | recorder |")
        print("|---|---|---|---|---|")
        for text, nodes, replicas, partitions in (
            ("mosquitto", 0, 0, 1), ("JetStream, 1 node", 1, 1, 1),
            ("JetStream, 3 nodes, 1 replica", 3, 1, 1), ("JetStream, 3 nodes, 3 replicas", 3, 3, 1),
            ("the same, 4 partitions", 3, 3, 4),
        ):  # fmt: skip
            cells = [flushes_per_s(folder)]
            for publishers in (1, 4):
                names = units(publishers, partitions)
                place = folder / f"{nodes}-{replicas}-{partitions}-{publishers}"
                with broker(place, names, nodes, replicas, partitions) as settings:
                    found = [settings(one) for one in names]
                    cells.append(acknowledged_per_s(found, names, seconds))
            place = folder / f"{nodes}-{replicas}-{partitions}-recorder"
            with broker(place, ["unit-1"], nodes, replicas, partitions) as settings:
                cells.append(taken_per_s(settings, place, entries))
            print(f"| {text} | {' | '.join(f'{cell:,.0f}' for cell in cells)} |", flush=True)


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
