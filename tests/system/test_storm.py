"""A storm: all processes killed in twos and all at once, stopped, unplugged, the disk full.

    pytest -m long -s tests/system/test_storm.py                  ten seeds, 320 kills and more
    pytest -m long -s "tests/system/test_storm.py::test_storm[3]" one of them

Afterwards everything that was recorded is compared with what came out of it: entry by entry at a
subscriber, point by point in the store, and the light of every exposure with the plant's own.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from plain_client import Client
from small_disks import mounted
from system.shop_processes import (
    Listener,
    Process,
    Shop,
    broker_and_store,
    in_store,
    recorded,
    shop,
    wait,
)
from system.test_full_disk_start import fill

from platelink.client import ClientError
from platelink.publish.services import BrokerService, StoreService
from platelink.record.reader import JournalReader
from platelink.record.recover import given_by
from platelink.runs import AnyEntry, RunEvent, RunStart

pytestmark = [
    pytest.mark.system, pytest.mark.alone, pytest.mark.long, pytest.mark.timeout(900),
    # The HTTP library leaves the socket of a service that was killed to the garbage collector.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]  # fmt: skip
KILLS = 32
"""Of each seed, at least."""
OVER = {None, "complete", "stopped", "aborted"}
VICTIMS = ("daemon", "service", "recorder", "broker", "store")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 MiB for journal and people."""
    with mounted(tmp_path / "disk", 64) as place:
        yield place


@dataclass
class Storm:
    """Blows and the work that goes on between them, by a seed."""

    this: Shop
    broker: BrokerService
    store: StoreService
    recorder: Process
    rng: random.Random
    counts: Counter[str] = field(default_factory=Counter)
    marks: list[tuple[int, float]] = field(default_factory=list)
    """Last entry and all light of the plant so far, each time when it was dark and nothing open."""

    @property
    def kills(self) -> int:
        return sum(self.counts[f"{name} killed"] for name in VICTIMS)

    def pid(self, name: str) -> int | None:
        """None: it is not there at present."""
        if name in ("broker", "store"):
            return getattr(self, name).pid
        child = (self.recorder if name == "recorder" else self.this.daemon).child
        if child is None or child.poll() is not None:
            return None
        if name != "service":
            return child.pid
        try:
            found = Path(f"/proc/{child.pid}/task/{child.pid}/children").read_text().split()
        except OSError:
            return None
        return int(found[0]) if found else None

    def kill(self, name: str) -> bool:
        pid = self.pid(name)
        if pid is None:
            return False
        if name == "service":  # the daemon starts it again
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        else:
            {"daemon": self.this.daemon, "recorder": self.recorder, "broker": self.broker,
             "store": self.store}[name].kill()  # fmt: skip
        self.counts[f"{name} killed"] += 1
        return True

    def revive(self) -> None:
        """Whatever does not run is started."""
        for name, start in (
            ("daemon", self.this.daemon.start), ("recorder", self.recorder.start),
            ("broker", lambda: self.broker.start(verify=False)),
            ("store", lambda: self.store.start(verify=False)),
        ):  # fmt: skip
            if self.pid(name) is None:
                start()

    def blow(self) -> None:
        """One of them."""
        kind = self.rng.choices(
            ("twos", "all", "stopped", "unplugged", "full"), (10, 2, 3, 2, 2)
        )[0]  # fmt: skip
        self.counts[kind] += 1
        match kind:
            case "twos" | "all":
                names = self.rng.sample(VICTIMS, 2 if kind == "twos" else len(VICTIMS))
                if "daemon" in names and "service" in names:
                    names.remove("daemon")
                    names.append("daemon")  # its service first: it ends with it
                for name in names:
                    self.kill(name)
                time.sleep(self.rng.uniform(0.0, 1.5))
            case "stopped":
                pid = self.pid(self.rng.choice(VICTIMS))
                if pid is not None:
                    with suppress(ProcessLookupError):
                        os.kill(pid, signal.SIGSTOP)
                        time.sleep(self.rng.uniform(0.3, 4.0))
                        os.kill(pid, signal.SIGCONT)
            case "unplugged":
                self.this.unit.order(fault="unplug", for_s=self.rng.uniform(0.5, 30.0))
            case "full":
                filler = fill(self.this.directory)
                if self.rng.random() < 0.5:
                    self.kill("daemon")
                    self.this.daemon.start()
                time.sleep(self.rng.uniform(0.5, 4.0))
                filler.unlink()
        self.revive()

    def work(self) -> None:
        """What people do meanwhile: begin an exposure, restart a held one, or abort it."""
        with (
            suppress(ClientError, AssertionError),
            Client(self.this.socket, answer_s=2.0) as client,
        ):
            status = client.status()
            state = (status["exposure"] or {}).get("state")
            if state == "held":
                client.command(self.rng.choice(("restart", "restart", "abort")))
            elif state in OVER and self.mark():
                dose = self.rng.choice((40.0, 60.0, 90.0))
                client.expose(
                    {"dose": f"{dose} mJ/cm2", "step": self.rng.choice(("film", "screen"))}
                )
                self.counts["exposures"] += 1

    def mark(self) -> bool:
        """Note how much light there was, where it is dark and every run has its end."""
        truth = self.this.unit.truth()
        with JournalReader.open(self.this.journal) as journal:
            if truth["lamp_on"] or journal.open_runs():
                return False
            self.marks.append((journal.last_number(), truth["dose_mj_cm2"]))
        return True


def told(log: Path) -> Counter[tuple[Any, ...]]:
    """Events that followers were told of as recorded; a kill may cut the last line."""
    found: Counter[tuple[Any, ...]] = Counter()
    for text in log.read_text("utf-8", "replace").splitlines():
        with suppress(ValueError):
            line = json.loads(text)
            if isinstance(line, dict) and "event" in line and not line.get("unrecorded"):
                event = line["event"]
                found[event["run_id"], event["name"], event["text"]] += 1
    return found


@pytest.mark.parametrize("seed", range(10))
def test_storm(tmp_path: Path, disk: Path, seed: int) -> None:
    with ExitStack() as stack:
        broker, store, more = broker_and_store(stack, tmp_path)
        this = stack.enter_context(shop(disk, more=more))
        this.daemon._log = tmp_path / "daemon.log"
        recorder = Process(
            tmp_path / "recorder.log", "--config", str(this.config), "recorder", "--every", "0.5"
        )
        recorder.start()
        stack.callback(lambda: recorder.kill() if recorder.child.poll() is None else None)
        wait(lambda: "broker connected" in recorder.output, 20.0, "recorder subscribed")
        listener = Listener(broker)
        stack.callback(listener.close)
        this.start_daemon()
        storm = Storm(this, broker, store, recorder, random.Random(seed))
        begun = time.monotonic()
        while storm.kills < KILLS:
            storm.work()
            time.sleep(storm.rng.uniform(0.2, 2.5))
            storm.blow()
        took_s = time.monotonic() - begun
        compare(storm, listener, tmp_path / "daemon.log")
        print(f"\nseed {seed}: {storm.kills} kills in {took_s:.0f} s, {dict(storm.counts)}")


def compare(storm: Storm, listener: Listener, log: Path) -> None:
    this = storm.this
    wait(this.answers, 40.0, "the daemon answers")
    wait(lambda: this.status()["link"]["state"] == "up", 60.0, "link up")

    def over() -> bool:
        state = this.exposure().get("state")
        if state == "held":
            with suppress(ClientError), Client(this.socket) as client:
                client.command("abort")
        return state in OVER and storm.mark()

    wait(over, 120.0, lambda: f"all runs are over, with {this.status()}")
    wait(lambda: this.status()["publisher"]["pending"] == 0, 90.0, "published")
    believed = told(log)  # the unit goes on: what is told first is read first
    entries = this.entries()
    ids = {entry.id for entry in entries}
    wait(lambda: listener.entries().keys() >= ids, 60.0, "topic stream complete")
    received = listener.entries()
    assert received.keys() <= {e.id for e in this.entries()}, "told of what is not in the record"
    assert all(received[e.id] == json.loads(e.model_dump_json()) for e in entries)

    wanted = recorded(entries)
    wait(
        lambda: in_store(storm.store).keys() >= wanted.keys(), 120.0, "every point is in the store"
    )
    assert in_store(storm.store).keys() == wanted.keys(), "points doubled or moved"
    kept = in_store(storm.store)
    assert all(kept[key] == pytest.approx(value, rel=2e-12) for key, value in wanted.items())

    noted = Counter((e.run_id, e.name, e.text) for e in entries if isinstance(e, RunEvent))
    forgotten = believed - noted
    assert not forgotten, f"told and not recorded: {list(forgotten)[:5]}"
    with JournalReader.open(this.journal) as journal:
        assert journal.faults() == []
        numbers = [journal.number_of(entry.id) for entry in entries]
        assert numbers == list(range(1, len(entries) + 1))
        judge_light(storm, journal, entries)
    this.daemon.end()
    assert this.daemon.child is not None and this.daemon.child.returncode == 0
    assert "Traceback" not in this.daemon.output and "Traceback" not in storm.recorder.output


def judge_light(storm: Storm, journal: JournalReader, entries: list[AnyEntry]) -> None:
    """Between two moments of dark the plant gave no other light than the record tells, within what
    it says of its own doubt."""
    starts = {
        number: entry.run_id
        for number, entry in enumerate(entries, 1)
        if isinstance(entry, RunStart) and entry.run_kind == "expose"
    }
    states: Counter[str] = Counter()
    for (first, light), (last, later) in zip(storm.marks, storm.marks[1:], strict=False):
        low = high = 0.0
        runs = [run_id for number, run_id in starts.items() if first < number <= last]
        for run_id in runs:
            run = journal.run(run_id)
            assert run is not None and run.end is not None
            dose, uncertain, doubtful = given_by(run.end)
            if run.corrected is not None:
                dose, uncertain = run.corrected.dose_mj_cm2, run.corrected.uncertain_mj_cm2
            low, high = low + dose - doubtful, high + dose + uncertain
            states[run.end.state] += 1
            if run.end.state == "complete":
                found = journal.check(run_id)
                assert found is not None and found.ok, (run_id, found)
        true = later - light
        tolerance = 0.5 + 0.01 * max(true, high)
        assert low - tolerance <= true <= high + tolerance, (runs, low, true, high)
    storm.counts.update({f"runs {state}": count for state, count in states.items()})
    storm.counts["entries"] = len(entries)
