"""The real processes: daemon on a pty, broker, recorder, store; each killed, then compared."""

from __future__ import annotations

import json
import os
from contextlib import ExitStack
from pathlib import Path

import pytest
from plain_client import Client
from scipy import integrate
from system.shop_processes import (
    USER,
    Listener,
    Process,
    broker_and_store,
    in_store,
    recorded,
    shop,
    wait,
)

from platelink.client import NoService
from platelink.publish.services import BrokerService
from platelink.record.reader import JournalReader

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(240)]


def test_kill_each_in_turn_and_nothing_is_lost(tmp_path: Path) -> None:
    with ExitStack() as stack:
        broker, store, more = broker_and_store(stack, tmp_path)
        this = stack.enter_context(shop(tmp_path, more=more))
        recorder = Process(
            tmp_path / "recorder.log", "--config", str(this.config), "recorder", "--every", "0.5"
        )
        recorder.start()
        stack.callback(lambda: recorder.end() if recorder.child.poll() is None else None)
        # A broker keeps nothing for a recorder that has never subscribed.
        wait(lambda: "broker connected" in recorder.output, 20.0, "recorder subscribed")
        listener = Listener(broker)
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

        wanted = recorded(entries)
        wait(
            lambda: in_store(store).keys() >= wanted.keys(), 90.0,
            f"every one of {len(wanted)} points is in the store",
        )  # fmt: skip
        kept = in_store(store)
        assert all(kept[key] == pytest.approx(value, rel=2e-12) for key, value in wanted.items())

        with JournalReader.open(this.journal) as journal:
            states = [journal.run(run_id).end.state for run_id in runs]
            assert states == ["complete", "complete", "interrupted", "complete"]
            broken = journal.run(runs[2]).end
            assert broken.dose_mj_cm2 == pytest.approx(true, rel=0.01), broken.reason
            for run_id in (runs[0], runs[1], runs[3]):
                found = journal.check(run_id)
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
        with JournalReader.open(this.journal) as journal:
            end = journal.run(run_id).end
            names = [event.name for event in journal.events(run_id)]
            found = journal.check(run_id)
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
        with JournalReader.open(this.journal) as journal:
            assert "link lost" in [event.name for event in journal.events(run_id)]
            found = journal.check(run_id)
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
        broker = BrokerService(tmp_path / "broker", USER)
        broker.start()
        stack.callback(broker.stop)
        listener = Listener(broker)
        stack.callback(listener.close)
        this = stack.enter_context(shop(tmp_path))
        this.start_daemon()
        this.expose(40.0)
        assert this.until_ended()["state"] == "complete"
        assert "publisher" not in this.status()
        this.daemon.end()
        text = this.config.read_text()
        this.config.write_text(f"{text}\n{broker.section(USER)}")
        this.start_daemon()
        wait(lambda: len(listener.entries()) >= len(this.entries()), 20.0, "everything published")
        assert set(listener.entries()) == {entry.id for entry in this.entries()}
        this.daemon.end()
