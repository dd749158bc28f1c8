"""A whole daemon in simulated time: its real shell on a loop whose clock only moves when nothing
else is to do, a simulated unit behind its port. Every name and figure is invented."""

from __future__ import annotations

import asyncio
import selectors
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from platelink.cli.simulation import configuration
from platelink.config import Config, loads
from platelink.control.states import ENDED, Learned
from platelink.daemon.clock import Clock
from platelink.daemon.core import UnitCore
from platelink.daemon.setup import make_job, overdue, unit_settings
from platelink.daemon.shell import Shell, ShellSettings
from platelink.link.framing import Decoder, Frame
from platelink.link.messages import unpack
from platelink.link.port import Port, PortMissing
from platelink.sensing.readings import Converter
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

UNIT = "unit-1"
FADED = UnitParameters(lamps=LampParameters(burn_hours=1400.0, starts=900, rest_s=60.0))
EXPECTED_MW_CM2 = 7.0
DATE_MS = 1_893_456_000_000
GRAIN_S = 0.01
"""Simulated time between two looks at the wire."""
JOB = {"dose": "60 mJ/cm2", "contact": False}


class _Selector(selectors.DefaultSelector):
    """Waits for nothing: where asyncio would, time passes."""

    loop: SimulatedTimeLoop

    def select(self, timeout: float | None = None) -> Any:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if timeout is None:  # only a thread can end this
            return super().select(1.0)
        self.loop.now += timeout
        return ready


class SimulatedTimeLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.now = 1000.0
        selector = _Selector()
        selector.loop = self
        super().__init__(selector)
        self.faults: list[str] = []
        """What went wrong in a callback: asyncio would only log it."""
        self.set_exception_handler(
            lambda _, context: self.faults.append(str(context.get("exception") or context))
        )

    def time(self) -> float:
        return self.now

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:
        """Without the limit that newer Pythons set: it would pass at once here."""
        await super().shutdown_default_executor()


def in_simulated_time(work: Coroutine[Any, Any, None], faults: tuple[str, ...] = ()) -> None:
    """Run a test; an exception in any callback, other than ``faults``, fails it."""
    loop = SimulatedTimeLoop()
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        runner.run(work)
    assert loop.faults == list(faults), loop.faults


class LoopClock(Clock):
    """The loop's time, and a computer's clock that can be set."""

    def __init__(self) -> None:
        self.set_ms = 0

    def now(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return DATE_MS + self.set_ms + round(self.now() * 1000.0)

    def real_s(self, seconds: float) -> float:
        return seconds


class Bench:
    """The unit, living on while daemons come and go; keeps all commands that reached the wire."""

    def __init__(self, parameters: UnitParameters = FADED, seed: int = 3) -> None:
        self.unit = SimulatedUnit(parameters, seed)
        self.sent: list[Any] = []
        self.there = True
        """The device exists; else the port cannot be opened."""
        self._decoder = Decoder(keep=1)

    def write(self, data: bytes) -> None:
        for frame in self._decoder.feed(data):
            if isinstance(frame, Frame):
                self.sent.append(unpack(frame.type, frame.payload))
        self.unit.write(data)

    def sent_to_act(self) -> list[str]:
        """Names of the commands sent, without heartbeats, questions and how often to speak."""
        names = [type(message).__name__ for message in self.sent]
        idle = ("Heartbeat", "GetHello", "GetOrder", "GetLog", "SetFrame")
        return [n for n in names if n not in idle]


class UnitPort(Port):
    """A port with a simulated unit at its other end."""

    bench: Bench

    def open(self) -> None:
        if not self.bench.there:
            raise PortMissing("there is no device at the port")
        loop = asyncio.get_running_loop()
        self._open, self._loop = True, loop
        self.bench.unit.read()
        self._look()

    def close(self) -> None:
        self._open = False

    def write(self, data: bytes) -> None:
        if self._open and data:
            self.bench.write(data)

    def _look(self) -> None:
        if not self._open:
            return
        if not self.bench.there:
            self._open = False
            self._on_lost("the port hung up")
            return
        unit = self.bench.unit
        unit.advance(max(0.0, self._loop.time() - 1000.0 - unit.time_s))
        if data := unit.read():
            self._on_data(data)
        self._loop.call_later(GRAIN_S, self._look)


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


class Daemon:
    """``async with Daemon(config, bench) as daemon``: a shell that runs; killed by ``kill``."""

    def __init__(
        self,
        config: Config,
        bench: Bench,
        *,
        today: Callable[[], date] = lambda: date(2026, 6, 1),
    ) -> None:
        self.config, self.bench = config, bench
        self.clock = LoopClock()
        self.lines: list[dict[str, Any]] = []
        port = type("BenchPort", (UnitPort,), {"bench": bench, "_open": False})

        def core(learned: Learned | None, now: float) -> UnitCore:
            settings = unit_settings(config)
            return UnitCore(settings, Converter(config.sensors()), learned or Learned(), now=now)

        self.shell = Shell(
            ShellSettings(
                unit=UNIT,
                port=config.link.port,
                baud=config.link.baud,
                journal=config.journal.path,
                service=None,
            ),
            core,
            lambda asked: make_job(config, asked, today=today()),
            self.clock,
            make_port=port,
            overdue=lambda: overdue(config, today()),
        )
        self.shell.listen(self.lines.append)
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Daemon:
        ready = asyncio.Event()
        self._task = asyncio.create_task(self.shell.run(ready.set))
        await ready.wait()
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._task is not None:
            self.shell.stop()
            await self._task

    async def kill(self) -> None:
        """As kill -9 leaves it: nothing more is written or sent."""
        assert self._task is not None
        shell = self.shell
        shell._record = lambda outputs: None
        shell.writer.retry = lambda now: 0
        shell._syncing.set()
        for thread in threading.enumerate():
            if thread.name == "journal-sync":
                thread.join(5.0)
        shell.journal.close()
        shell._port.close()
        if shell._wake is not None:
            shell._wake.cancel()
        self._task.cancel()
        with suppress(asyncio.CancelledError, Exception):
            await self._task
        self._task = None

    # --- what tests ask --------------------------------------------------------------------

    def ask(self, do: str, **more: Any) -> dict[str, Any]:
        return self.shell.handle({"do": do, **more})

    def expose(self, **more: Any) -> str:
        answer = self.ask("expose", job={**JOB, **more})
        assert answer["ok"], answer
        return str(answer["run_id"])

    @property
    def state(self) -> str:
        exposure = self.shell.core.exposure
        return "none" if exposure is None else str(exposure.state)

    @property
    def light_s(self) -> float:
        exposure = self.shell.core.exposure
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
