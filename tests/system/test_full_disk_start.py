"""A daemon that starts on a full disk: its light can be stopped, and publishing goes on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from plain_client import Client
from small_disks import fill, mounted
from system.shop_processes import USER, Listener, Shop, shop, wait

from platelink.client import ClientError
from platelink.publish.services import BrokerService
from platelink.record.reader import JournalReader

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(240)]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 MiB: a third of it is the ballast."""
    with mounted(tmp_path / "disk", 24) as place:
        yield place


def started_again(this: Shop, log: Path) -> None:
    """Its output goes where there is space for it."""
    this.daemon._log = log
    this.start_daemon()


@pytest.mark.parametrize("ended", ["killed idle", "in good order"])
def test_a_daemon_starts_serves_and_stops_on_a_full_disk(small_disk, tmp_path, ended):
    with shop(small_disk) as this:
        this.start_daemon()
        this.expose(40.0)
        this.until_ended()
        (this.daemon.kill if ended == "killed idle" else this.daemon.end)()
        filler = fill(small_disk)
        for turn in range(4):  # others take what is given up in between
            started_again(this, tmp_path / "again.log")
            try:  # with all of the ballast there, SQLite's own free pages may do for a run
                with Client(this.socket) as client:
                    client.expose({"dose": "40 mJ/cm2"})
                assert this.until_ended()["state"] == "complete"
            except ClientError as error:
                assert "no run can begin" in str(error) or "no space left" in str(error)
            assert len(this.entries()) > 10  # readers get at it
            (this.daemon.kill if turn % 2 else this.daemon.end)()
            fill(small_disk)
        filler.unlink()
        started_again(this, tmp_path / "again.log")
        run_id = this.expose(40.0)
        assert this.until_ended()["state"] == "complete"
        this.daemon.end()
        assert "Traceback" not in this.daemon.output
        with JournalReader.open(this.journal) as journal:
            assert journal.faults() == [] and journal.check(run_id).ok


def test_light_can_be_stopped_after_a_start_on_a_full_disk(small_disk, tmp_path):
    with ExitStack() as stack:
        broker = BrokerService(tmp_path / "broker", USER)
        broker.start()
        stack.callback(broker.stop)
        listener = Listener(broker)
        stack.callback(listener.close)
        this = stack.enter_context(shop(small_disk, more=broker.section(USER)))
        this.start_daemon()
        run_id = this.expose(1500.0)
        this.until_light(2.0)
        this.daemon.kill()
        fill(small_disk)
        assert this.unit.truth()["lamp_on"]
        started_again(this, tmp_path / "again.log")
        wait(lambda: this.exposure().get("light_s"), 10.0, "the light is known of")
        with Client(this.socket) as client:
            client.command("stop")
        wait(lambda: not this.unit.truth()["lamp_on"], 5.0, "dark")
        true = this.unit.truth()["dose_mj_cm2"]
        assert true < 1000.0
        wait(lambda: '"interrupted"' in this.daemon.output, 40.0, "the broken run is closed")

        def published() -> bool:
            return set(listener.entries()) >= {entry.id for entry in this.entries()}

        wait(published, 20.0, "publishing continues")
        wait(lambda: this.status()["publisher"]["pending"] == 0, 10.0, "all is acknowledged")
        status = this.status()["publisher"]
        assert status["problem"] == "" and "No space left" in status["notice"]
        this.daemon.end()
        assert this.daemon.child.returncode == 0 and "Traceback" not in this.daemon.output
        with JournalReader.open(this.journal) as journal:
            assert journal.run(run_id).end.dose_mj_cm2 == pytest.approx(true, rel=0.01)


def test_without_any_space_left_aside_it_says_what_to_do(small_disk, tmp_path):
    with shop(small_disk) as this:
        this.start_daemon()
        this.daemon.end()
        this.journal.with_name("journal.sqlite.ballast").unlink()
        filler = fill(small_disk)
        this.daemon._log = tmp_path / "again.log"
        this.daemon.start()
        assert this.daemon.child.wait(20.0) != 0
        assert "no space left for" in this.daemon.output and "Traceback" not in this.daemon.output
        filler.unlink()
        this.start_daemon()
        this.daemon.end()
