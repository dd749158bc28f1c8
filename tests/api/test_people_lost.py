"""A file of people that is gone, empty or damaged makes nobody a lead. Every name is invented."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time

from api.api_shop import LEAD, OPERATOR, SECRETS, URL, Shop, shop
from platelink.client import ClientError
from platelink.contract.words import Command
from platelink.events.event import EventName
from platelink.record.journal import Journal
from platelink.runs import RunEvent

LOCAL = {"platelink-local": "1"}
AT = datetime(2026, 6, 1, 7, 0, tzinfo=UTC)


def remembering(path: Path) -> None:
    """A journal that knows that people were entered."""
    with Journal.open(path, unit="unit-1", new_uuid="0011223344556677") as journal:
        journal.append(RunEvent(
            id=journal.next_id(), run_id=None, unit="unit-1", at_utc=AT,
            name=EventName.PEOPLE_ENTERED, data={"who": "invented"},
        ))  # fmt: skip


def truncated(path: Path) -> None:
    path.write_bytes(b"")


def cut_in_half(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def overwritten(path: Path) -> None:
    path.write_bytes(b"\xff" * path.stat().st_size)


def replaced(path: Path) -> None:
    """By another, with nobody in it."""
    from platelink.people.store import People

    path.unlink()
    People.open(path).close()


LOSSES: tuple[Callable[[Path], None], ...] = (
    Path.unlink, truncated, cut_in_half, overwritten, replaced,
)  # fmt: skip


def lost(this: Shop, loss: Callable[[Path], None]) -> None:
    remembering(this.settings.journal)
    loss(this.settings.people)


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("anew", [False, True], ids=["under the service", "before its start"])
def test_nobody_becomes_a_lead_and_light_can_be_ended(
    tmp_path: Path, loss: Callable[[Path], None], anew: bool
) -> None:
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        lost(this, loss)
        if anew:
            this.accounts._people = None
        with this.client() as local:
            for refused in (
                lambda: local.add_person("X", "lead", "a long secret"),
                lambda: local.post("/expose", dose="10 mJ/cm2"),
                lambda: local.command(Command.RESTART),
                lambda: local.add_first(LEAD, SECRETS[LEAD]),
                lambda: local.sign_in(LEAD, SECRETS[LEAD]),
            ):
                with pytest.raises(ClientError, match=r"this unit had users.*--why"):
                    refused()
            for act in (Command.HOLD, Command.STOP, Command.ABORT):
                local.command(act)
                operator.command(act)  # a sign-in that nobody can look at
                assert this.daemon.asked[-1]["do"] == act
            local.post("/plates/plate-1/hold")
            assert local.me()["role"] == "auditor" and local.status()
        by_port = this.browser().post("/v1/exposure/hold", json={})
        assert by_port.status_code == 401 and "had users" in by_port.json()["error"]


def test_without_that_memory_a_new_unit_begins_as_ever(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as local:
        assert local.me()["role"] == "lead"
        local.add_first(LEAD, SECRETS[LEAD])
        assert [one["what"] for one in this.daemon.told] == [EventName.PEOPLE_ENTERED]


def test_a_damaged_file_is_a_loss_without_memory_too(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client() as local:
        overwritten(this.settings.people)
        this.accounts._people = None
        local.command(Command.STOP)
        with pytest.raises(ClientError, match="cannot be used"):
            local.command(Command.RESTART)


def test_the_owner_begins_anew_with_a_reason(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        lost(this, Path.unlink)
        asked = {"name": LEAD, "secret": SECRETS[LEAD], "why": "the disk was changed"}
        stranger = this.judged(peer=os.getuid() + 1)
        with httpx.Client(transport=stranger, base_url=URL, headers=LOCAL) as other:
            assert other.post("/v1/people/first", json=asked).status_code == 403
        with httpx.Client(transport=this.judged(os.getuid()), base_url=URL, headers=LOCAL) as own:
            assert own.post("/v1/people/first", json=asked | {"why": " "}).status_code == 403
            assert own.post("/v1/people/first", json=asked).status_code == 200
        with this.client(LEAD) as lead:
            assert lead.me()["role"] == "lead"
            history = lead.get("/people-history")["entries"]
            assert history[0]["why"] == "the disk was changed"


def test_a_file_that_is_back_is_used_again(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        remembering(this.settings.journal)
        aside = this.settings.people.rename(tmp_path / "aside")
        with this.client() as local:
            with pytest.raises(ClientError, match="is missing"):
                local.sign_in(LEAD, SECRETS[LEAD])
            aside.rename(this.settings.people)
            local.sign_in(LEAD, SECRETS[LEAD])
            assert local.me()["role"] == "lead"


def test_the_daemon_puts_it_down_in_the_journal(tmp_path: Path) -> None:
    from platelink.api.stores import people_remembered

    async def work() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            assert not people_remembered(tmp_path / "journal.sqlite")
            noted = daemon.ask("security", what="people entered", text="from now on", who="Ada")
            assert noted["ok"]
            assert people_remembered(tmp_path / "journal.sqlite")
            daemon.ask("security", what="sign-in refused", text="again", times=3)
            event = daemon.shell.journal.reader.newest_unit_event(EventName.SECURITY)
            assert event is not None and event.data == {"what": "sign-in refused", "times": 3}

    in_simulated_time(work())
