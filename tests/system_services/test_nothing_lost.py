"""Journal to broker to recorder to store with kill -9 of each in turn, then every point is read
back and compared with the journal. Real mosquitto, real victoria-metrics, real processes.

The store is known to lose what it accepted in its last 5 to 8 s when it is killed, so the 15 s for
which the recorder holds its rows are not shortened here.
"""

from __future__ import annotations

import json
import sqlite3
import threading
import time
import urllib.parse
import urllib.request
from collections import Counter
from pathlib import Path

import pytest
from publish import publish_samples as ps
from system_services.service_processes import SITE, UNIT, USER, Process, StandInJournal

from platelink.publish.broker import Connected
from platelink.publish.links import link_to
from platelink.publish.services import BrokerService, StoreService
from platelink.runs import AnyEntry, RunEnd, RunEvent, RunSamples, RunStart

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BrokerService.find() is None or StoreService.find() is None,
        reason="needs: apt-get install mosquitto victoria-metrics",
    ),
]

STORE_KILLS = 20
PER_BLOCK = 20
STRANGER = f"{SITE}/unit-2"

Key = tuple[str, str, int]
"""Name of the metric, run, time in ms."""


def expected_points(entries: list[AnyEntry]) -> dict[Key, float]:
    """What the store must hold, straight from the entries."""
    points: dict[Key, float] = {}
    for e in entries:
        at = round(e.at_utc.timestamp() * 1000)
        run = e.run_id or ""
        match e:
            case RunSamples():
                for i, at_ms in enumerate(e.at_utc_ms):
                    points["platelink_sample", run, at_ms] = float(e.first_sample + i)
                    for name, column in e.values.items():
                        if column[i] is not None:
                            points[f"platelink_{name}", run, at_ms] = column[i]
            case RunStart():
                points["platelink_run_start_count", run, at] = 1.0
                points["platelink_run_start_target_dose_mj_cm2", run, at] = e.target_dose_mj_cm2
            case RunEvent():
                points[f"platelink_event_count/{e.name}", run, at] = 1.0
            case RunEnd():
                for name in ("dose_mj_cm2", "device_dose_mj_cm2", "light_s", "samples", "events"):
                    points[f"platelink_run_end_{name}", run, at] = float(getattr(e, name))
                points["platelink_run_end_gaps", run, at] = 0.0
    return points


def read_back(url: str) -> tuple[dict[Key, float], int]:
    """Every point of the unit in the store, and how many came more than once."""
    matcher = urllib.parse.quote(f'{{__name__=~"platelink_.*",site="{SITE}",unit="{UNIT}"}}')
    urllib.request.urlopen(f"{url}/internal/force_flush", timeout=10).read()
    with urllib.request.urlopen(f"{url}/api/v1/export?match[]={matcher}", timeout=20) as answer:
        series = [json.loads(line) for line in answer.read().splitlines()]
    points: dict[Key, float] = {}
    times: Counter[Key] = Counter()
    for one in series:
        metric = one["metric"]
        assert ("step" in metric) == ("run" in metric)
        name = metric["__name__"]
        if name == "platelink_event_count":
            name += f"/{metric['name']}"
        for at_ms, value in zip(one["timestamps"], one["values"], strict=True):
            key = (name, metric.get("run", ""), at_ms)
            points[key] = value
            times[key] += 1
    return points, sum(n - 1 for n in times.values())


class Writer(threading.Thread):
    """The daemon's part: runs of 30 blocks, a block every 60 ms, until told to stop."""

    def __init__(self, path: Path, *, first: int = 1) -> None:
        super().__init__(daemon=True)
        self.path, self.first = path, first
        self.entries: list[AnyEntry] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        journal = StandInJournal(self.path)
        number = self.first
        run = 0
        while not self.stopping.is_set():
            run += 1
            for entry in ps.whole_run(30, PER_BLOCK, first=number, run=f"w{run}"):
                journal.append(number, entry)
                self.entries.append(entry)
                number += 1
                time.sleep(0.06)
        journal.append(number, ps.event(number, "unit_idle", None))
        self.entries.append(ps.event(number, "unit_idle", None))
        journal.close()


class Rig:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.broker = BrokerService(folder / "broker", USER, STRANGER)
        self.store = StoreService(folder / "store")
        self.journal = folder / "recorder.db"
        self.cursor = folder / "cursor.json"
        port = str(self.broker.port)
        source = folder / "journal.db"
        StandInJournal(source).close()
        self.writer = Writer(source)
        self.publisher = Process(
            folder / "publisher.log", "publisher", str(source), str(self.cursor), port,
            self.broker.passwords[USER],
        )  # fmt: skip
        self.recorder = Process(
            folder / "recorder.log", "recorder", str(self.journal), port,
            self.broker.passwords["recorder"], self.store.url,
        )  # fmt: skip

    def start(self) -> None:
        self.broker.start()
        self.store.start()
        self.recorder.start()
        self.publisher.start()
        self.writer.start()

    def stop(self) -> None:
        self.writer.stopping.set()
        self.publisher.kill()
        self.recorder.kill()
        self.store.stop()
        self.broker.stop()

    def count(self, query: str) -> int:
        db = sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)
        try:
            found: int = db.execute(query).fetchone()[0]
        finally:
            db.close()
        return found

    def cursor_number(self) -> int:
        statuses = self.publisher.statuses()
        return int(statuses[-1]["cursor"]) if statuses else 0


@pytest.fixture
def rig(tmp_path):
    rig = Rig(tmp_path)
    try:
        rig.start()
        yield rig
    finally:
        rig.stop()


def wait_for(condition, limit_s: float, what: str) -> float:
    begun = time.monotonic()
    while not condition():
        if time.monotonic() - begun > limit_s:
            pytest.fail(f"{what}: not within {limit_s} s")
        time.sleep(0.1)
    return time.monotonic() - begun


def send_garbage(broker: BrokerService) -> None:
    """A stranger on the broker writes something that is not an entry, where it may."""
    link = link_to(broker.settings(STRANGER), client_id="stranger")
    link.connect()
    wait_for(lambda: any(isinstance(e, Connected) for e in link.poll(0.1)), 5, "stranger connected")
    link.publish(f"platelink/v1/{STRANGER}/event", b"not an entry")
    wait_for(lambda: link.poll(0.1), 5, "stranger's message taken")
    link.close()


@pytest.mark.timeout(110)
def test_kill_of_everything_in_turn_loses_no_point(rig):
    wait_for(lambda: rig.cursor_number() > 0, 10, "first entry published")
    send_garbage(rig.broker)
    kills = Counter()
    for turn in range(STORE_KILLS):
        time.sleep(0.55)
        rig.store.kill()
        kills["store"] += 1
        other = {1: rig.broker, 3: rig.recorder, 5: rig.publisher}.get(turn % 6)
        if other is not None:
            other.kill()
            kills[type(other).__name__ + str(turn % 6)] += 1
            time.sleep(0.3)
            other.start()
        rig.store.start(verify=False)
    rig.writer.stopping.set()
    rig.writer.join(10)
    rig.broker.kill()  # an outage with a journal that has already gone on
    time.sleep(2.0)
    rig.broker.start()

    last = len(rig.writer.entries)
    wait_for(lambda: rig.cursor_number() == last, 25, f"all {last} entries published")
    wait_for(lambda: rig.count("SELECT count(*) FROM row") == 0, 40, "all rows confirmed")
    rig.store.kill()  # whatever the recorder has forgotten must survive this
    rig.store.start()

    expected = expected_points(rig.writer.entries)
    found: dict[Key, float] = {}

    def complete() -> bool:
        nonlocal found
        found, _ = read_back(rig.store.url)
        return len(found) >= len(expected)

    limit = time.monotonic() + 12  # a series may take 10 s to become visible
    while not complete() and time.monotonic() < limit:
        time.sleep(0.3)
    lost = expected.keys() - found.keys()
    print(
        f"\n{len(expected)} points, lost {len(lost)}, kills {STORE_KILLS + 1} of the store, "
        f"others {dict(kills)}"
    )
    assert not lost, f"lost {len(lost)} of {len(expected)}: {sorted(lost)[:5]}"
    assert not found.keys() - expected.keys()
    # The store keeps decimal mantissas: 12 to 13 digits in a block of mixed sizes, times exactly.
    assert {k: found[k] for k in expected} == pytest.approx(expected, rel=2e-12, abs=0)
    assert read_back(rig.store.url)[1] == 0, "points stored twice"
    assert rig.count("SELECT value FROM counter WHERE name = 'dead_letters'") == 1
    assert rig.recorder.alive() and rig.publisher.alive()
    statuses = rig.recorder.statuses()
    assert max(s["store_restarts"] for s in statuses) > 0
    assert max(s["rows_written_again"] for s in statuses) > 0
    assert {s["store_rows_refused"] for s in statuses} <= {0, None}  # None: not asked yet
