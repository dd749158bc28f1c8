"""A unit in simulated time behind the real service, for tests of commands that act on it.

Commands run in this process and reach the service's real routes; the daemon is a real core with a
simulated unit, whose every word is in a real journal. Time passes only when a test lets it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from api.api_shop import Shop, shop
from cli_runs import MINIMAL, run

from platelink.api.inprocess import InProcess
from platelink.api.wire import reply_of
from platelink.client import Client
from platelink.client.token import saved_token
from platelink.contract.calibrations import CountsNow
from platelink.contract.unit import JournalNow, Status
from platelink.contract.wire import AnyRequest, line_of
from platelink.control.alarm.states import Condition
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.daemon.calibrated import counts_now
from platelink.daemon.journaling import Journaling
from platelink.daemon.requests import answer
from platelink.events.event import Event
from platelink.record.journal import Journal
from platelink.record.writer import JournalWriter
from platelink.simulated.plates import unit_for_plates
from platelink.unit.core import Core
from platelink.unit.outputs import EventNoted, Refused
from platelink.unit.plate_view import status_now

UNIT = "unit-1"
Line = dict[str, Any]


class SimulatedDaemon:
    """What the service asks as it asks a daemon."""

    def __init__(self, journal: Path) -> None:
        self.simulation = unit_for_plates()
        self.journal = Journal.open(journal, unit=UNIT, new_uuid="test-unit")
        self._journaling = Journaling(JournalWriter(self.journal), UNIT)
        self._written = 0
        self.accepted = False
        """The last act was asked to go on with calibrations past their date."""
        self.record()

    @property
    def core(self) -> Core:
        return self.simulation.core

    async def ask(self, request: AnyRequest, reply: type[Any]) -> Any:
        told = answer(self, line_of(request))  # type: ignore[arg-type] -- as much of a shell as is asked
        self.record()
        return reply_of(told, reply)

    def pass_time(self, limit_s: float, until: Callable[[], bool] = lambda: False) -> None:
        self.simulation.run(until, limit_s)
        self.record()

    def record(self) -> None:
        """Everything said since the last call goes into the journal."""
        outputs = self.simulation.outputs[self._written :]
        self._journaling.write(outputs, now=self.simulation.now)
        self._written += len(outputs)

    def tell(self, *conditions: Condition) -> None:
        """What alarms of the computer want to know."""
        self._said(self.core.outside(conditions, at=self.simulation.stamp))
        self.record()

    # --- as ``requests.answer`` calls a shell ----------------------------------------------

    def status(self) -> Status:
        return status_now(
            self.core, UNIT, journal=JournalNow(pending=0, fault=""), at=self.simulation.stamp
        )

    def make_plate(self, plan: PlatePlan) -> str:
        return self._said(self.core.make_plate(plan, at=self.simulation.stamp))

    def act(self, plate: str, asked: PlateRequest, *, accept_overdue: bool) -> str:
        self.accepted = accept_overdue
        return self.simulation.act(plate, asked)

    def alarm(self, name: str, act: str, *, who: str, why: str, minutes: float | None) -> str:
        return self._said(self.core.alarm(name, act, who, why, minutes, at=self.simulation.stamp))

    def command(self, name: str, reason: str, *, who: str) -> str:
        return self._said(self.core.command(name, reason, who=who, at=self.simulation.stamp))

    def counts(self, sensor: str) -> CountsNow:
        """Time passes while somebody watches."""
        self.pass_time(1.0)
        return counts_now(self.core, sensor, now=self.simulation.now)

    def take_up(self) -> str:
        return ""

    def note(self, event: Event, text: str) -> None:
        at = self.simulation.stamp
        self.simulation.outputs += (EventNoted(None, at.utc_ms, event, text),)

    def _said(self, outputs: Any) -> str:
        self.simulation.outputs += outputs
        return next((o.text for o in outputs if isinstance(o, Refused)), "")


class CommandUnit:
    """``with command_unit(tmp_path, monkeypatch) as unit: unit.said("plate", "list")``."""

    def __init__(self, this: Shop, daemon: SimulatedDaemon) -> None:
        self.shop, self.daemon = this, daemon

    def said(self, *arguments: object, code: int = 0, **options: Any) -> str:
        result = run(*arguments, **options)
        assert result.exit_code == code, result.output
        return result.stdout if code == 0 else result.stderr

    def told(self, *arguments: object) -> Any:
        return json.loads(self.said(*arguments, "--json"))


@contextmanager
def command_unit(directory: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CommandUnit]:
    """A directory with a configuration, and the unit whose service its commands reach."""
    monkeypatch.chdir(directory)
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.delenv("PLATELINK_TOKEN", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(directory / "state"))
    Path("platelink.toml").write_text(MINIMAL)
    daemon = SimulatedDaemon(directory / "journal.sqlite")
    with shop(directory, daemon=daemon) as this, daemon.journal:

        def client_at(path: Path, *, signed_in: bool = True) -> Client:
            transport = InProcess(this.app, this._runner)
            token = saved_token(path) if signed_in else None
            return Client(path, token, transport=transport)

        monkeypatch.setattr("platelink.cli.service.client_at", client_at)
        monkeypatch.setattr("platelink.cli.service.answers", lambda _: True)
        yield CommandUnit(this, daemon)
