"""A log of seals of another unit that cannot be is put into the record of the unit that saw it."""

from __future__ import annotations

from pathlib import Path

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.cli.quantities import Display
from platelink.cli.status import _lines
from platelink.daemon.cosigning import Cosigning
from platelink.daemon.sealing import Sealing, seal_places
from platelink.daemon.stamping import Stamping
from platelink.publish.topics import Topics
from platelink.record.reader import JournalReader

TEXT = "unit-2 showed a second log of 4 seals: another one was seen by some day"


class Still(Sealing):
    """Without its thread, which keeps real time."""

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass


def test_it_is_an_event_of_the_record_once(tmp_path: Path) -> None:
    cosigning = Cosigning(Topics("invented-shop", "unit-1"), ())

    async def work() -> None:
        daemon = Daemon(config := config_for(tmp_path), Bench())
        daemon.shell._syncer._beside = Still(seal_places(config), cosigning)
        async with daemon:
            await daemon.until_up()
            cosigning.contradictions.append(TEXT)
            await daemon.until(lambda: daemon.events("security"), 5.0)
            await daemon.until_up()
            (event,) = daemon.events("security")
            assert (event["text"], event["data"]["what"]) == (TEXT, "log of seals")

    in_simulated_time(work())
    with JournalReader.open(tmp_path / "journal.sqlite") as reader:
        kept = [row.entry for row in reader.outbox_after(0, 1000)]
    assert [e.text for e in kept if getattr(e, "name", "") == "security"] == [TEXT]


def test_that_seals_get_no_time_stamp_stands_in_the_status_and_is_no_fault(tmp_path: Path) -> None:
    stamping = Stamping("tsa.example", lambda _: b"")
    stamping.fault = "seals are not time-stamped: tsa.example: HTTP 503"
    cosigning = Cosigning(Topics("invented-shop", "unit-1"), ())

    async def work() -> None:
        daemon = Daemon(config := config_for(tmp_path), Bench())
        sealing = Still(seal_places(config), cosigning, stamping=stamping)
        daemon.shell._syncer._beside = sealing
        async with daemon:
            await daemon.until_up()
            status = daemon.shell.status()
            assert (status.journal.fault, status.journal.notice) == ("", stamping.fault)
            shown = list(_lines(status, display := Display()))
            assert f"notice      {stamping.fault}" in shown
            stamping.fault = ""
            status = daemon.shell.status()
            assert not [line for line in _lines(status, display) if line.startswith("notice")]

    in_simulated_time(work())
