"""Kills of the real broker on the shipped settings lose nothing, with and without a backlog."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from publish import publish_samples as ps
from system_services.service_processes import USER, Process, StandInJournal
from system_services.test_nothing_lost import Key, Writer, expected_points, wait_for

from platelink.publish.services import BrokerService, free_port
from platelink.runs import AnyEntry

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(BrokerService.find() is None, reason="needs: apt-get install mosquitto"),
]
KILLS = 30
BACKLOG = 20_000


class Rig:
    """Publisher, broker, recorder; no store: what is recorded is in the recorder's journal."""

    def __init__(self, folder: Path) -> None:
        self.broker = BrokerService(folder / "broker", USER)
        self.source, self.journal = folder / "journal.db", folder / "recorder.db"
        port, nowhere = str(self.broker.port), f"http://127.0.0.1:{free_port()}"
        StandInJournal(self.source).close()
        self.publisher = Process(
            folder / "publisher.log", "publisher", str(self.source), str(folder / "cursor.json"),
            port, self.broker.passwords[USER],
        )  # fmt: skip
        self.recorder = Process(
            folder / "recorder.log", "recorder", str(self.journal), port,
            self.broker.passwords["recorder"], nowhere,
        )  # fmt: skip

    def start(self) -> None:
        self.broker.start()
        self.recorder.start()
        wait_for(lambda: any(s["connected"] for s in self.recorder.statuses()), 30, "recorder")
        self.publisher.start()

    def stop(self) -> None:
        self.publisher.kill()
        self.recorder.kill()
        self.broker.stop()

    def fill(self, count: int) -> list[AnyEntry]:
        """A journal of about so many entries of 1.5 kB: runs of two hundred blocks."""
        entries = [
            entry
            for run in range(count // 205)
            for entry in ps.whole_run(200, 20, first=1 + 205 * run, run=f"r{run}")
        ]
        with closing(sqlite3.connect(self.source)) as db, db:
            rows = ((n, entry.model_dump_json()) for n, entry in enumerate(entries, 1))
            db.executemany("INSERT INTO entry VALUES (?, ?)", rows)
        return entries

    def status(self) -> dict[str, object]:
        return (self.publisher.statuses() or [{"cursor": 0, "sent_again": 0}])[-1]

    def sent_again(self) -> int:
        return int(str(self.status()["sent_again"]))

    def held(self) -> list[tuple[int, int]]:
        with closing(sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)) as db:
            return db.execute("SELECT first, last FROM held ORDER BY first").fetchall()

    def points(self) -> dict[Key, float]:
        """Every point of the recorder's journal; none may be there twice with another value."""
        points: dict[Key, float] = {}
        with closing(sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)) as db:
            for (text,) in db.execute("SELECT lines FROM row"):
                for line in text.split("\n"):
                    series, fields, at = line.split(" ")
                    measurement, *tags = series.split(",")
                    tag = dict(pair.split("=") for pair in tags)
                    for field in fields.split(","):
                        name, _, value = field.partition("=")
                        key = f"{measurement}_{name}"
                        if measurement == "platelink_event":
                            key += f"/{tag['name']}"
                        whole = (key, tag.get("run", ""), int(at))
                        assert points.get(whole, float(value)) == float(value), whole
                        points[whole] = float(value)
        return points


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    try:
        yield rig
    finally:
        rig.stop()


def all_held(rig: Rig, count: int) -> Callable[[], bool]:
    return lambda: rig.held() == [(1, count)]


@pytest.mark.timeout(240)
def test_what_a_broker_has_forgotten_is_sent_again(rig: Rig) -> None:
    """All it had saved is gone, with what waited there for a recorder that was away."""
    entries = rig.fill(2 * 205)
    rig.start()
    wait_for(lambda: rig.held() != [], 20, "the recorder takes entries")
    rig.recorder.kill()
    before = rig.held()[-1][1]
    number = len(entries)
    journal = StandInJournal(rig.source)
    deadline = time.monotonic() + 14.0  # more than is sent again after a lost connection
    while time.monotonic() < deadline:
        number += 1
        entries.append(ps.event(number, f"e{number}", None))
        journal.append(number, entries[-1])
        time.sleep(0.05)
    journal.close()
    wait_for(lambda: rig.status()["cursor"] == number, 20, "all is acknowledged")
    rig.broker.kill()
    (rig.broker.directory / "mosquitto.db").unlink()
    rig.broker.start()
    rig.recorder.start()
    wait_for(lambda: rig.held()[-1][1] == number, 30, "the newest comes again")
    assert rig.held()[0][1] < number, "nothing was lost: this test shows nothing"
    wait_for(all_held(rig, number), 60, "what is missing comes again")
    assert rig.points() == expected_points(entries)
    wait_for(lambda: rig.sent_again() > 0, 5, "the status tells of it, twice a second")
    assert rig.sent_again() <= number - before


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("backlog", [0, BACKLOG])
@pytest.mark.parametrize("seed", [1])
def test_kills_of_the_broker_lose_nothing(rig: Rig, backlog: int, seed: int) -> None:
    rng = random.Random(seed)
    entries = rig.fill(backlog)
    rig.start()
    if backlog:
        time.sleep(1.0)
        rig.recorder.kill()  # everything waits in the broker
    writer = Writer(rig.source, first=len(entries) + 1)
    writer.start()
    begun = time.monotonic()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.5, 12.0) if backlog else rng.uniform(0.5, 6.0))
        rig.broker.kill()
        time.sleep(rng.uniform(0.0, 0.5))
        rig.broker.start(verify=False)
    writer.stopping.set()
    writer.join(10)
    entries += writer.entries
    count = len(entries)
    wait_for(lambda: rig.status()["cursor"] == count, 300, "all is acknowledged")
    took_s = time.monotonic() - begun
    if backlog:
        rig.recorder.start()
    wait_for(all_held(rig, count), 300, "all is held")
    found, expected = rig.points(), expected_points(entries)
    lost, more = expected.keys() - found.keys(), found.keys() - expected.keys()
    status = rig.status()
    counts = json.loads(json.dumps(rig.recorder.statuses()[-1]["counts"]))
    print(
        f"\n{KILLS} kills of the broker in {took_s:.0f} s, backlog {backlog}: {count} entries, "
        f"{len(expected)} points, lost {len(lost)}, too many {len(more)}; sent again because a "
        f"recorder lacked them {status['sent_again']}; duplicates {counts['duplicates']}"
    )
    assert found == expected
