"""How many samples a second come from the broker to a point that the store gives back, three ways.

*platelink* is the recorder's own process: every message is judged, on disk before it is
acknowledged, and kept until the store surely has it. *batched* and *plain* are the scripts that a
programmer would write first (``data/store_script.txt``): MQTT at QoS 1, JSON, a line or a point for
each sample, in requests of thousands or one by one. Nothing of theirs outlives a power cut.

All find the same messages waiting in one broker, and write into one store. A rate is counted
between two looks at the store, so that starting a process takes no part in it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

from platelink.control.light.request import ExposureRequest
from platelink.daemon.journaling import Journaling
from platelink.publish.broker import Acknowledged, BrokerLink, BrokerSettings, Connected
from platelink.publish.links import link_to
from platelink.publish.payloads import payload_of
from platelink.publish.services import BrokerService, ServiceError, StoreService
from platelink.publish.topics import Topics, recorder_filters
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.writer import JournalWriter
from platelink.runs import AnyEntry, RunSamples
from platelink.simulated.bench_processes import ended, used
from platelink.simulated.bench_speed import DOSE_MJ_CM2, EXPECTED_MW_CM2, UNIT
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.job import Job
from platesim.unit import SimulatedUnit

SITE = "invented-shop"
WAYS: Final = ("platelink", "batched", "plain")
PLAIN_SHARE = 20
"""The plain script gets one run for so many of the others: it would take minutes."""
AGO_MS = 7 * 86_400_000
"""When the first exposure is said to have been: all are over by now."""
LIMIT_S = 600.0
LOOK_S = 0.1
WINDOW = 20
"""Messages published and not yet acknowledged."""


@dataclass(frozen=True, slots=True)
class RecorderBench:
    """What came of it; rates in samples a second."""

    samples: int
    samples_per_message: float
    values_per_sample: float
    platelink: float
    batched: float
    plain: float
    ratio_plain: float
    ratio_batched: float
    cpu_us_per_sample: float
    """Of the recorder's process, its start left out."""
    batched_cpu_us_per_sample: float
    rss_mb: float


@dataclass(frozen=True, slots=True)
class _Measured:
    rate: float
    cpu_us: float
    rss_mb: float


def bench_recorder(runs: int = 60, *, blocks: bool = False) -> RecorderBench:
    """``runs``: exposures whose messages wait; ``blocks``: ours come as blocks. ServiceError where
    broker or store are missing."""
    recorded = _recorded()
    messages = [entry for entry in recorded if isinstance(entry, RunSamples)]
    a_run = sum(len(message.ticks) for message in messages)
    with tempfile.TemporaryDirectory() as name, ExitStack() as services:
        directory = Path(name)
        broker = BrokerService(directory / "broker", *(f"{SITE}/{way}" for way in WAYS))
        store = StoreService(directory / "store")
        for service in (broker, store):
            services.callback(service.stop)
            service.start()
        bench = _Bench(recorded, a_run, broker, store, directory, blocks=blocks)
        found = {
            way: bench.measure(way, max(1, runs // (PLAIN_SHARE if way == "plain" else 1)))
            for way in WAYS
        }
    ours, batched, plain = (found[way] for way in WAYS)
    return RecorderBench(
        samples=a_run * runs,
        samples_per_message=a_run / len(messages),
        values_per_sample=float(len(messages[0].values)),
        platelink=ours.rate,
        batched=batched.rate,
        plain=plain.rate,
        ratio_plain=ours.rate / plain.rate,
        ratio_batched=ours.rate / batched.rate,
        cpu_us_per_sample=ours.cpu_us,
        batched_cpu_us_per_sample=batched.cpu_us,
        rss_mb=ours.rss_mb,
    )


def _recorded() -> list[AnyEntry]:
    """Every entry of one exposure on a simulated unit, as its journal tells them."""
    core = make_core(UNIT, expected_mw_cm2=EXPECTED_MW_CM2)
    begun_ms = time.time_ns() // 1_000_000 - AGO_MS
    simulation = Simulation(SimulatedUnit(UNIT, seed=7), core, begun_ms=begun_ms)
    simulation.run(lambda: False, 10.0)
    simulation.outputs.clear()
    simulation.expose(
        Job("bench", "film", ExposureRequest(DOSE_MJ_CM2, contact=None, max_light_s=300.0))
    )
    while simulation.ended is None:
        simulation.step(400.0)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.sqlite"
        with Journal.open(path, unit="bench", new_uuid="bench") as journal:
            Journaling(JournalWriter(journal), "bench").write(simulation.outputs, now=0.0)
        with JournalReader.open(path) as reader:
            return [row.entry for row in reader.outbox_after(0, 100_000) if row.entry.run_id]


def _again(recorded: Sequence[AnyEntry], way: str, runs: int) -> Iterator[AnyEntry]:
    """The same exposure made many times, each later than the one before."""
    journal, number = f"{way}-bench", 0
    length = recorded[-1].at_utc - recorded[0].at_utc + timedelta(minutes=1)
    for run in range(runs):
        shift = run * length
        for entry in recorded:
            number += 1
            changes: dict[str, object] = {
                "id": f"{journal}-{number}", "run_id": f"{way}-{run}", "unit": way,
                "at_utc": entry.at_utc + shift,
            }  # fmt: skip
            if isinstance(entry, RunSamples):
                ms = round(1000.0 * shift.total_seconds())
                changes["at_utc_ms"] = tuple(at + ms for at in entry.at_utc_ms)
            yield entry.model_copy(update=changes)


class _Bench:
    """One broker, one store, and what was recorded."""

    def __init__(
        self, recorded: Sequence[AnyEntry], a_run: int, broker: BrokerService,
        store: StoreService, directory: Path, *, blocks: bool,
    ) -> None:  # fmt: skip
        self.recorded, self.a_run, self.blocks = recorded, a_run, blocks
        self.broker, self.store, self.directory = broker, store, directory

    def measure(self, way: str, runs: int) -> _Measured:
        """One way: all is published before its program begins."""
        _linked(self.broker.settings("recorder"), subscribe=True).close()
        entries = _again(self.recorded, way, runs)
        as_blocks = self.blocks and way == "platelink"
        _publish(self.broker.settings(f"{SITE}/{way}"), way, entries, blocks=as_blocks)
        with as_file(files("platelink.simulated").joinpath("data", "store_script.txt")) as script:
            child = subprocess.Popen(  # noqa: S603 -- our own programs
                [sys.executable, *self._command(way, str(script))],
                stdout=subprocess.DEVNULL,
            )
            with ended(child):
                return self._rate(child, way, self.a_run * runs)

    def _command(self, way: str, script: str) -> list[str]:
        if way != "platelink":
            password = self.broker.passwords["recorder"]
            return [script, way, str(self.broker.port), password, self.store.url]
        config = self.directory / "platelink.toml"
        config.write_text(
            f'format = 1\n\n[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
            f'username = "recorder"\npassword = "{self.broker.passwords["recorder"]}"\n\n'
            f'[recorder]\npath = "{self.directory}/recorder.sqlite"\n\n'
            f'[store]\nurl = "{self.store.url}"\n',
            "utf-8",
        )
        return ["-m", "platelink", "--config", str(config), "recorder"]

    def _rate(self, child: subprocess.Popen[bytes], way: str, samples: int) -> _Measured:
        """Between the first look that finds any sample and the first that finds them all."""
        first: tuple[float, int, float] | None = None
        end = time.monotonic() + LIMIT_S
        while (now := time.monotonic()) < end:
            readable = self._readable(way)
            cpu_s, rss_mb = used(child.pid)
            if readable and first is None:
                first = now, readable, cpu_s
            if readable == samples and first is not None:
                since, before, cpu_before_s = first
                done = samples - before
                if done <= 0:
                    raise ServiceError("too few samples to measure a rate: ask for more runs")
                return _Measured(done / (now - since), 1e6 * (cpu_s - cpu_before_s) / done, rss_mb)
            if child.poll() is not None:
                raise ServiceError(f"{way}: its program ended with code {child.returncode}")
            time.sleep(LOOK_S)
        raise ServiceError(f"{way}: {readable} of {samples} samples after {LIMIT_S:.0f} s")

    def _readable(self, way: str) -> int:
        """Samples that the store gives back."""
        query = f'sum(count_over_time(platelink_sample{{unit="{way}"}}[60d]))'
        for place in (
            "/internal/force_flush",
            f"/api/v1/query?{urllib.parse.urlencode({'query': query})}",
        ):
            with urllib.request.urlopen(self.store.url + place, timeout=30.0) as answer:  # noqa: S310
                content = answer.read()
        found = json.loads(content)["data"]["result"]
        return int(found[0]["value"][1]) if found else 0


def _linked(settings: BrokerSettings, *, subscribe: bool = False) -> BrokerLink:
    link = link_to(settings, client_id=settings.username or "", receive_maximum=100)
    link.connect()
    end = time.monotonic() + settings.connect_timeout_s
    while not any(isinstance(event, Connected) for event in link.poll(0.1)):
        if time.monotonic() > end:
            raise ServiceError("the broker does not answer")
    if subscribe:
        link.subscribe(recorder_filters(None))
        link.poll(0.2)
    return link


def _publish(
    settings: BrokerSettings, unit: str, entries: Iterable[AnyEntry], *, blocks: bool = False
) -> None:
    link, topics = _linked(settings), Topics(SITE, unit)
    open_now = 0
    for entry in entries:
        link.publish(topics.of(entry), payload_of(entry, blocks=blocks))
        open_now += 1
        while open_now >= WINDOW:
            open_now -= sum(isinstance(event, Acknowledged) for event in link.poll(1.0))
    while open_now:
        open_now -= sum(isinstance(event, Acknowledged) for event in link.poll(1.0))
    link.close()
