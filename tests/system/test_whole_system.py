"""The real processes: daemon on a pty, broker, recorder, store; each killed, then compared."""

from __future__ import annotations

import json
import os
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
from scipy import integrate

from platelink.cli.simulation import configuration
from platelink.client import Client, ClientError, NoService
from platelink.publish.services import BrokerService, StoreService
from platelink.record.check import check
from platelink.record.journal import Journal
from platelink.runs import RunSamples
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

pytestmark = [pytest.mark.system, pytest.mark.timeout(240)]
SPEED = 10.0
SITE, UNIT = "invented-shop", "unit-1"


def wait(condition: Callable[[], Any], limit_s: float, what: str) -> Any:
    """Poll real processes; the value that ended the wait."""
    end = time.monotonic() + limit_s
    while not (value := condition()):
        assert time.monotonic() < end, f"{what}: not after {limit_s} s"
        time.sleep(0.05)
    return value


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
        self.daemon.start()
        wait(self.answers, 20.0, "daemon answers")
        wait(lambda: self.status()["link"]["state"] == "up", 20.0, "link up")

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
                # A busy computer starves the line of a unit that runs faster than life.
                assert "closed" in str(error) or "no link" in str(error), error
                return None

    def exposure(self) -> dict[str, Any]:
        return self.status()["exposure"] or {}

    def until_light(self, seconds: float = 2.0) -> None:
        wait(lambda: (self.exposure().get("light_s") or 0.0) > seconds, 30.0, "light")

    def until_ended(self) -> dict[str, Any]:
        ended = {"complete", "stopped", "aborted"}
        return wait(
            lambda: (e := self.exposure()).get("state") in ended and e, 60.0, "end of exposure"
        )

    def entries(self) -> list[Any]:
        with Journal.open(self.journal, read_only=True) as journal:
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

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, dict[str, Any]]] = []
        self._client = MqttClient(
            CallbackAPIVersion.VERSION2, client_id="listener", protocol=MQTTv5, manual_ack=True
        )
        expiry = Properties(PacketTypes.CONNECT)
        expiry.SessionExpiryInterval = 3600
        self._client.on_connect = lambda client, *_: client.subscribe(
            f"platelink/v1/{SITE}/{UNIT}/#", qos=1
        )
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port, clean_start=False, properties=expiry)
        self._client.loop_start()

    def _take(self, client: MqttClient, _: object, message: MQTTMessage) -> None:
        self.messages.append((message.topic, json.loads(message.payload)))
        client.ack(message.mid, message.qos)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def entries(self) -> dict[str, dict[str, Any]]:
        return {body["id"]: body for topic, body in self.messages if "id" in body}


def in_store(store: StoreService) -> dict[tuple[str, str, int], float]:
    """Every sample point in the store: (run, series, millisecond) -> value."""
    # The unit's time runs ahead of the clock: without an end the store stops at now.
    query = urllib.parse.urlencode({"match[]": '{run!=""}', "end": time.time() + 3600.0})
    with urllib.request.urlopen(f"{store.url}/api/v1/export?{query}", timeout=10.0) as answer:
        lines = [json.loads(line) for line in answer.read().splitlines()]
    return {
        (line["metric"]["run"], line["metric"]["__name__"], at_ms): value
        for line in lines
        for at_ms, value in zip(line["timestamps"], line["values"], strict=True)
    }


def test_kill_each_in_turn_and_nothing_is_lost(tmp_path: Path) -> None:
    with ExitStack() as stack:
        broker_dir, store_dir = tmp_path / "broker", tmp_path / "store"
        broker_dir.mkdir()
        store_dir.mkdir()
        broker, store = BrokerService(broker_dir), StoreService(store_dir)
        for service in (broker, store):
            service.start()
            stack.callback(service.stop)
        more = (
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n\n[store]\nurl = "{store.url}"\n'
            f'\n[recorder]\npath = "{tmp_path / "recorder.sqlite"}"\n'
        )
        this = stack.enter_context(shop(tmp_path, more=more))
        recorder = Process(
            tmp_path / "recorder.log", "--config", str(this.config), "recorder", "--every", "0.5"
        )
        recorder.start()
        stack.callback(lambda: recorder.end() if recorder.child.poll() is None else None)
        # A broker keeps nothing for a recorder that has never subscribed.
        wait(lambda: "broker connected" in recorder.output, 20.0, "recorder subscribed")
        listener = Listener(broker.port)
        stack.callback(listener.close)
        this.start_daemon()

        runs = [this.expose(80.0, step="film", plate="plate-1")]
        assert this.until_ended()["state"] == "complete"

        runs.append(this.expose(80.0, step="screen", plate="plate-1"))
        this.until_light(1.0)
        store.kill()
        this.until_light(3.0)
        store.start(verify=False)
        recorder.kill()
        this.until_light(5.0)
        recorder.start()
        broker.kill()
        assert this.until_ended()["state"] == "complete"  # the loop waits for none of them
        broker.start(verify=False)

        this.unit.order(do="mark")
        runs.append(this.expose(80.0, step="film", plate="plate-2"))
        this.until_light(3.0)
        this.daemon.kill()
        this.start_daemon()
        wait(lambda: '"interrupted"' in this.daemon.output, 30.0, "the broken run is closed")
        true = this.unit.truth()["dose_mj_cm2"]
        assert true == pytest.approx(80.0, rel=0.02)  # the device finished on its standing order

        runs.append(this.expose(60.0, step="screen", plate="plate-2"))
        assert this.until_ended()["state"] == "complete"

        def published() -> bool:
            return len(listener.entries()) >= len(this.entries())

        wait(lambda: this.status()["publisher"]["pending"] == 0, 40.0, "published")
        wait(published, 20.0, "topic stream complete")
        entries = this.entries()
        received = listener.entries()
        assert set(received) == {entry.id for entry in entries}
        assert all(received[e.id] == json.loads(e.model_dump_json()) for e in entries)
        for run_id in runs:  # nothing reordered within a run
            order = list(
                dict.fromkeys(b["id"] for _, b in listener.messages if b.get("run_id") == run_id)
            )
            assert order == [e.id for e in entries if e.run_id == run_id]

        wanted = {
            (entry.run_id, f"platelink_{name}", at_ms): value
            for entry in entries
            if isinstance(entry, RunSamples)
            for name, column in entry.values.items()
            for at_ms, value in zip(entry.at_utc_ms, column, strict=True)
            if value is not None
        }
        wait(
            lambda: in_store(store).keys() >= wanted.keys(), 90.0,
            f"every one of {len(wanted)} points is in the store",
        )  # fmt: skip
        kept = in_store(store)
        assert all(kept[key] == pytest.approx(value, rel=2e-12) for key, value in wanted.items())

        with Journal.open(this.journal, read_only=True) as journal:
            states = [journal.run(run_id).end.state for run_id in runs]
            assert states == ["complete", "complete", "interrupted", "complete"]
            broken = journal.run(runs[2]).end
            assert broken.dose_mj_cm2 == pytest.approx(true, rel=0.01), broken.reason
            for run_id in (runs[0], runs[1], runs[3]):
                found = check(journal, run_id)
                assert found is not None and found.ok, found
            assert journal.faults() == []
        this.daemon.end()
        assert this.daemon.child.returncode == 0


def test_an_exposure_on_measured_daylight_records_its_integral(tmp_path: Path) -> None:
    """One day of UV-A measured at NREL (weather station of the pvanalytics data), a thousand times
    faster, behind the unit's own timer; against scipy's trapezoid of that series."""
    trace_module = pytest.importorskip("platesim.trace")
    try:
        trace = trace_module.measured_uv_a(2)
    except trace_module.TraceUnavailable as error:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(error))
    scipy_mj_cm2 = integrate.trapezoid(trace.irradiance_mw_cm2, trace.times_s) / 1000.0
    assert scipy_mj_cm2 == pytest.approx(738_164.130425 * 0.1 / 1000.0, rel=1e-9)
    with shop(tmp_path, "trace-own-timer", expected=0.4) as this:
        this.start_daemon()
        run_id = this.expose(60.0, contact=False)
        wait(lambda: "light" in this.exposure().get("waiting_for", []), 10.0, "waiting for light")
        # Dark is read, and the length of the device's tick is known well even on a busy computer.
        wait(lambda: this.status()["link"]["frames"] > 300, 20.0, "dark reading")
        this.unit.order(do="own_timer", seconds=86.4)
        this.until_ended()
        with Journal.open(this.journal, read_only=True) as journal:
            end = journal.run(run_id).end
            names = [event.name for event in journal.events(run_id)]
            found = check(journal, run_id)
        assert end.dose_mj_cm2 == pytest.approx(scipy_mj_cm2, rel=2e-3)
        assert "dose reached" in names and "light gone" in names
        assert found is not None and found.ok, found


def test_two_daemons_on_one_port(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        this.start_daemon()
        other = tmp_path / "other.toml"
        other.write_text(this.config.read_text().replace("journal.sqlite", "other.sqlite"))
        log = tmp_path / "other.log"
        second = Process(log, "--config", str(other), "serve", "--json")
        second.start()
        socket = tmp_path / "other.socket"

        def problem() -> str:
            try:
                with Client(socket) as client:
                    return str(client.status()["problem"])
            except NoService:
                return ""

        text = wait(problem, 15.0, "the second daemon tells what is wrong")
        second.end()
        assert "is in use by" in text and str(this.daemon.child.pid) in text
        third = Process(tmp_path / "third.log", "--config", str(this.config), "serve")
        third.start()
        assert third.child.wait(timeout=20.0) != 0
        assert "Traceback" not in third.output
        this.daemon.end()


def test_unplugged_and_replugged(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        this.start_daemon()
        run_id = this.expose(80.0)
        this.until_light(2.0)
        this.unit.order(fault="unplug", for_s=4.0)
        assert this.until_ended()["state"] == "complete"
        with Journal.open(this.journal, read_only=True) as journal:
            assert "link lost" in [event.name for event in journal.events(run_id)]
            found = check(journal, run_id)
        assert found is not None and found.ok, found
        assert this.status()["link"]["reconnects"] >= 1


def test_a_follower_that_does_not_read_delays_nothing(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        this.start_daemon()
        with Client(this.socket) as client, ExitStack() as stuck:
            for _ in range(5):
                stuck.enter_context(client.live())
            this.expose(60.0)
            assert this.until_ended()["state"] == "complete"


def test_publishing_begins_with_the_first_row_once_a_broker_is_configured(tmp_path: Path) -> None:
    with ExitStack() as stack:
        directory = tmp_path / "broker"
        directory.mkdir()
        broker = BrokerService(directory)
        broker.start()
        stack.callback(broker.stop)
        listener = Listener(broker.port)
        stack.callback(listener.close)
        this = stack.enter_context(shop(tmp_path))
        this.start_daemon()
        this.expose(40.0)
        assert this.until_ended()["state"] == "complete"
        assert "publisher" not in this.status()
        this.daemon.end()
        text = this.config.read_text()
        this.config.write_text(f'{text}\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
        this.start_daemon()
        wait(lambda: len(listener.entries()) >= len(this.entries()), 20.0, "everything published")
        assert set(listener.entries()) == {entry.id for entry in this.entries()}
        this.daemon.end()
