"""A whole daemon in simulated time, as tests look at it. Every name and figure is invented."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import date
from pathlib import Path
from typing import Any, Self

from platelink.config.load import loads
from platelink.config.model import Config
from platelink.control.states import ENDED
from platelink.simulated import virtual
from platelink.simulated.harness import configuration
from platesim.lamps import LampParameters
from platesim.unit import UnitParameters

UNIT = "unit-1"
FADED = UnitParameters(lamps=LampParameters(burn_hours=1400.0, starts=900, rest_s=60.0))
EXPECTED_MW_CM2 = 7.0
JOB = {"dose": "60 mJ/cm2", "contact": False}


def in_simulated_time(work: Coroutine[Any, Any, None], faults: tuple[str, ...] = ()) -> None:
    """Run a test; an exception in any callback, other than ``faults``, fails it."""
    found = virtual.in_simulated_time(work)
    assert found == list(faults), found


class Bench(virtual.Bench):
    """A unit with faded lamps."""

    def __init__(self, parameters: UnitParameters = FADED, seed: int = 3) -> None:
        super().__init__(parameters, seed)


def config_for(directory: Path, more: str = "", parameters: UnitParameters = FADED) -> Config:
    return loads(
        configuration(
            parameters,
            unit=UNIT,
            site="invented-shop",
            port="/dev/simulated",
            journal=directory / "journal.sqlite",
            expected_mw_cm2=EXPECTED_MW_CM2,
            more=more,
        )
    )


class Daemon(virtual.Daemon):
    """Keeps every line that followers got."""

    def __init__(
        self, config: Config, bench: virtual.Bench,
        *, today: Callable[[], date] = lambda: date(2026, 6, 1), **more: Any,
    ) -> None:  # fmt: skip
        super().__init__(config, bench, today=today, **more)
        self.lines: list[dict[str, Any]] = []
        self.shell.followers.add(lambda line: self.lines.append(line.model_dump(mode="json")))

    async def __aenter__(self) -> Self:
        await super().__aenter__()
        return self

    # --- what tests ask --------------------------------------------------------------------

    def expose(self, **more: Any) -> str:
        answer = self.ask("expose", job={**JOB, **more})
        assert answer["ok"], answer
        return str(answer["run_id"])

    @property
    def state(self) -> str:
        exposure = self.shell.core.bed.exposure
        return "none" if exposure is None else str(exposure.state)

    @property
    def light_s(self) -> float:
        exposure = self.shell.core.bed.exposure
        return 0.0 if exposure is None else exposure.status().light_s

    def events(self, name: str) -> list[dict[str, Any]]:
        return [li["event"] for li in self.lines if "event" in li and li["event"]["name"] == name]

    async def until(self, condition: Callable[[], object], limit_s: float = 120.0) -> None:
        end = self.clock.now() + limit_s
        while not condition():
            assert self.clock.now() < end, (self.state, self.lines[-1:], self.events("state")[-3:])
            await asyncio.sleep(0.05)

    async def until_up(self) -> None:
        await self.until(lambda: self.shell.core.up and self.shell.core.reading, 10.0)
        await asyncio.sleep(3.0)  # the device's clock becomes known

    async def until_ended(self, limit_s: float = 200.0) -> None:
        await self.until(lambda: self.shell.core.run_id is None and self.state in ENDED, limit_s)

    async def until_light(self, seconds: float = 2.0) -> None:
        await self.until(lambda: self.light_s >= seconds, 60.0)
