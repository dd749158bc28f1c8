"""Everything of a shop as real processes: unit on a pty, daemon, broker, recorder, store."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client as MqttClient
from paho.mqtt.client import MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from plain_client import Client

from platelink.client import ClientError, NoService
from platelink.publish.services import BrokerService, StoreService
from platelink.record.reader import JournalReader
from platelink.runs import AnyEntry, RunSamples, RunStart
from platelink.simulated.harness import configuration
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SPEED = 10.0
SITE, UNIT = "invented-shop", "unit-1"
USER = f"{SITE}/{UNIT}"


def wait(condition: Callable[[], Any], limit_s: float, what: str | Callable[[], str]) -> Any:
    """Poll real processes; the value that ended the wait."""
    end = time.monotonic() + limit_s
    while not (value := condition()):
        if time.monotonic() > end:
            pytest.fail(f"{what if isinstance(what, str) else what()}: not after {limit_s} s")
        time.sleep(0.05)
    return value


def broker_and_store(stack: ExitStack, folder: Path) -> tuple[BrokerService, StoreService, str]:
    """Both started, and what a configuration says of them and of the recorder's journal."""
    broker, store = BrokerService(folder / "broker", USER), StoreService(folder / "store")
    for service in (broker, store):
        service.start()
        stack.callback(service.stop)
    more = (
        f'[store]\nurl = "{store.url}"\n\n{broker.section(USER)}'
        f'path = "{folder / "recorder.sqlite"}"\n'
    )
    return broker, store, more


class Process:
    """One of our commands as a child; its output goes into a file."""

    def __init__(self, log: Path, *arguments: str) -> None:
        self._log = log
        self._command = [sys.executable, "-m", "platelink", *arguments]
        self.child: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self.child = subprocess.Popen(self._command, stdout=log, stderr=log)

    def kill(self) -> None:
        assert self.child is not None
        self.child.kill()
        self.child.wait()

    def end(self) -> None:
        assert self.child is not None
        self.child.terminate()
        self.child.wait(timeout=20.0)

    @property
    def output(self) -> str:
        return self._log.read_text()


class Shop:
    """Everything that runs in one test."""

    def __init__(self, directory: Path, config: Path, unit: PtyProcess) -> None:
        self.directory, self.config, self.unit = directory, config, unit
        self.journal = directory / "journal.sqlite"
        self.socket = directory / "journal.socket"
        self.daemon = Process(
            directory / "daemon.log", "--config", str(config), "serve", "--json", "--speed",
            str(SPEED),
        )  # fmt: skip

    def start_daemon(self) -> None:
        # The service of one that was killed answers for a moment.
        self.socket.unlink(missing_ok=True)
        self.daemon.start()
        wait(self.answers, 20.0, "daemon answers")
        # The service of a daemon that was killed may have answered just now, and be gone.
        wait(lambda: self._link() == "up", 20.0, "link up")

    def _link(self) -> str | None:
        try:
            return str(self.status()["link"]["state"])
        except NoService:
            return None

    def answers(self) -> bool:
        try:
            self.status()
        except NoService:
            return False
        return True

    def status(self) -> dict[str, Any]:
        with Client(self.socket) as client:
            return client.status()

    def expose(self, dose: float, **more: Any) -> str:
        run_id = wait(
            lambda: self._asked(dose, more), 30.0, "exposure accepted"
        )  # right after a crash the run before is being closed
        assert self.status()["run_id"] == run_id  # never one from before the act
        return str(run_id)

    def _asked(self, dose: float, more: dict[str, Any]) -> str | None:
        with Client(self.socket) as client:
            try:
                return client.expose({"dose": f"{dose} mJ/cm2", **more})
            except ClientError as error:
                # A busy computer starves the line of a unit that runs faster than real time.
                assert "closed" in str(error) or "no link" in str(error), error
                return None

    def exposure(self) -> dict[str, Any]:
        return self.status()["exposure"] or {}

    def until_light(self, seconds: float = 2.0) -> None:
        wait(
            lambda: (self.exposure().get("light_s") or 0.0) > seconds, 30.0,
            lambda: f"light, with {self.exposure()}",
        )  # fmt: skip

    def until_ended(self) -> dict[str, Any]:
        ended = {"complete", "stopped", "aborted"}
        return wait(
            lambda: (e := self.exposure()).get("state") in ended and e, 60.0,
            lambda: f"end of exposure, with {self.exposure()}",
        )  # fmt: skip

    def entries(self) -> list[Any]:
        with JournalReader.open(self.journal) as journal:
            return [row.entry for row in journal.outbox_after(0, 1_000_000)]


@contextmanager
def shop(
    directory: Path, scenario: str = "faded", expected: float = 7.0, more: str = ""
) -> Iterator[Shop]:
    """A simulated unit on a pty and the configuration of its daemon."""
    with PtyProcess(scenario=scenario, speed=SPEED, link=directory / "tty") as unit:
        config = directory / "platelink.toml"
        config.write_text(
            configuration(
                SCENARIOS[scenario].parameters, unit=UNIT, site=SITE, port=unit.path,
                journal=directory / "journal.sqlite", expected_mw_cm2=expected, more=more,
            )
        )  # fmt: skip
        this = Shop(directory, config, unit)
        try:
            yield this
        finally:
            if this.daemon.child is not None and this.daemon.child.poll() is None:
                this.daemon.kill()


class Listener:
    """Another subscriber of the topic stream, with a session that survives the broker."""

    def __init__(self, broker: BrokerService) -> None:
        self.messages: list[tuple[str, dict[str, Any]]] = []
        self.checkpoints: list[str] = []
        self._client = MqttClient(
            CallbackAPIVersion.VERSION2, client_id="listener", protocol=MQTTv5, manual_ack=True
        )
        expiry = Properties(PacketTypes.CONNECT)
        expiry.SessionExpiryInterval = 3600
        self._client.on_connect = lambda client, *_: client.subscribe(
            f"platelink/v1/{SITE}/{UNIT}/#", qos=1
        )
        self._client.on_message = self._take
        self._client.username_pw_set("reader", broker.passwords["reader"])
        self._client.connect("127.0.0.1", broker.port, clean_start=False, properties=expiry)
        self._client.loop_start()

    def _take(self, client: MqttClient, _: object, message: MQTTMessage) -> None:
        if message.topic.endswith("/checkpoint"):  # a signed note, no JSON
            self.checkpoints.append(message.payload.decode())
        else:
            self.messages.append((message.topic, json.loads(message.payload)))
        client.ack(message.mid, message.qos)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def entries(self) -> dict[str, dict[str, Any]]:
        return {body["id"]: body for _, body in self.messages if "id" in body}


Point = tuple[str, str, str, int]
"""Step, slot, name and millisecond: no two runs share them."""


def recorded(entries: list[AnyEntry]) -> dict[Point, float]:
    """Every point of samples that the store must hold."""
    starts = {entry.run_id: entry for entry in entries if isinstance(entry, RunStart)}
    found: dict[Point, float] = {}
    for entry in entries:
        if isinstance(entry, RunSamples):
            start = starts[entry.run_id]
            index = range(entry.first_sample, entry.first_sample + len(entry.at_utc_ms))
            for name, column in {**entry.values, "sample": tuple(map(float, index))}.items():
                for at_ms, value in zip(entry.at_utc_ms, column, strict=True):
                    key = start.step, str(start.slot), f"platelink_{name}", at_ms
                    assert key not in found, f"two runs share {key}"
                    if value is not None:
                        found[key] = value
    return found


def in_store(store: StoreService) -> dict[Point, float]:
    """Every point of samples in the store."""
    # The unit's time runs ahead of the clock: without an end the store stops at now.
    query = urllib.parse.urlencode({"match[]": '{slot!=""}', "end": time.time() + 3600.0})
    with urllib.request.urlopen(f"{store.url}/api/v1/export?{query}", timeout=10.0) as answer:
        lines = [json.loads(line) for line in answer.read().splitlines()]
    return {
        (*(line["metric"][tag] for tag in ("step", "slot", "__name__")), at_ms): value
        for line in lines
        for at_ms, value in zip(line["timestamps"], line["values"], strict=True)
    }
