"""A whole daemon in simulated time: its real shell on a loop whose clock only moves when nothing
else is to do, a simulated unit behind its port. For the bench and the tests."""

from __future__ import annotations

import asyncio
import selectors
import signal
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from functools import partial
from typing import Any, ClassVar

from platelink.config.model import Config
from platelink.contract.base import Json
from platelink.daemon.calibrated import Calibrated
from platelink.daemon.clock import Clock
from platelink.daemon.setup import core_of, make_job, taping_of, unit_settings
from platelink.daemon.shell import Shell
from platelink.daemon.shell_settings import Instruments, ShellSettings
from platelink.link.framing import Decoder, Frame
from platelink.link.messages import LAMP_BIT, unpack
from platelink.link.port import Port, PortMissing
from platelink.runs import RunEvent
from platelink.tape.taped import TapedCore
from platelink.unit.core import Core
from platesim.unit import SimulatedUnit, UnitParameters

START_S = 1000.0
"""The loop's time when the unit is switched on."""
DATE_MS = 1_893_456_000_000
THREAD_S = 60.0
"""Real time for a thread to say something when nothing else is to do."""
WORK_S = 60.0
"""Of the processor, for a case of a campaign; it needs less than 3."""


class Hung(KeyboardInterrupt):
    """Simulated time does not get on. No asyncio callback can catch it."""


@contextmanager
def within(work_s: float) -> Iterator[None]:
    """Hung where the block, in the main thread, takes the processor for longer than this."""

    def stop(*_: object) -> None:
        raise Hung(f"it still runs after {work_s:g} s of the processor")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, work_s, work_s)  # again, where what ends it hangs too
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


class _Selector(selectors.DefaultSelector):
    """Waits for nothing: where asyncio would, time passes."""

    loop: SimulatedTimeLoop

    def select(self, timeout: float | None = None) -> Any:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if timeout is None:  # only a thread can end this
            if not (ready := super().select(THREAD_S)):
                raise Hung(f"nothing is to do and no thread has said anything for {THREAD_S:.0f} s")
            return ready
        self.loop.now += timeout
        return ready


class SimulatedTimeLoop(asyncio.SelectorEventLoop):
    """A loop of its own time."""

    def __init__(self) -> None:
        self.now = START_S
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


def in_simulated_time(work: Coroutine[Any, Any, None]) -> list[str]:
    """Run it; what went wrong in callbacks."""
    loop = SimulatedTimeLoop()
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        runner.run(work)
    return loop.faults


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

    grain_s = 0.01
    """Simulated time between two looks at the wire."""

    def __init__(self, parameters: UnitParameters, seed: int = 3) -> None:
        self.unit = SimulatedUnit(parameters, seed)
        self.sent: list[Any] = []
        self.there = True
        """The device exists; else the port cannot be opened."""
        self._decoder = Decoder(keep=1)

    def write(self, data: bytes) -> None:
        """Bytes of the host."""
        for frame in self._decoder.feed(data):
            if isinstance(frame, Frame):
                self.sent.append(unpack(frame.type, frame.payload))
        self.unit.write(data)

    def catch_up(self) -> float:
        """Let the unit live on to the loop's time; returns it."""
        now = asyncio.get_running_loop().time()
        self.unit.advance(max(0.0, now - START_S - self.unit.time_s))
        return now

    @property
    def lamp_driven(self) -> bool:
        """The device switches the lamps on, whatever they do."""
        return bool(self.unit.board.outputs & LAMP_BIT)

    def sent_to_act(self) -> list[str]:
        """Names of the commands sent, without heartbeats, questions and how often to speak."""
        names = [type(message).__name__ for message in self.sent]
        idle = ("Heartbeat", "GetHello", "GetOrder", "GetLog", "SetFrame")
        return [n for n in names if n not in idle]


class UnitPort(Port):
    """A port with a simulated unit at its other end."""

    bench: ClassVar[Bench]
    _there = False

    def open(self) -> None:
        if not self.bench.there:
            raise PortMissing("there is no device at the port")
        self._there = True
        self.bench.unit.read()
        self._look()

    def close(self) -> None:
        self._there = False

    def write(self, data: bytes) -> None:
        if self._there and data:
            self.bench.write(data)

    def _look(self) -> None:
        if not self._there:
            return
        if not self.bench.there:
            self._there = False
            self._on_lost("the port hung up")
            return
        self.bench.catch_up()
        if data := self.bench.unit.read():
            self._on_data(data)
        asyncio.get_running_loop().call_later(self.bench.grain_s, self._look)


class Daemon:
    """``async with Daemon(config, bench) as daemon``: a shell that runs; killed by ``kill``."""

    def __init__(
        self,
        config: Config,
        bench: Bench,
        *,
        today: Callable[[], date] = lambda: date(2026, 6, 1),
        instruments: Callable[[Clock], Instruments] | None = None,
    ) -> None:
        """``instruments``: those on the bus of ``config``, asked in simulated time."""
        self.config = config
        self.bench = bench
        self.clock = LoopClock()
        calibrated = Calibrated(config, unit_settings, today)
        port = type("BenchPort", (UnitPort,), {"bench": bench})

        self.taping = taping_of(config, lambda: calibrated.held)
        make = partial(TapedCore, put=self.taping.put, held=lambda: calibrated.held)

        def core(told: Sequence[RunEvent], now: float) -> Core:
            converter = calibrated.converter()
            return core_of(config, calibrated.held, converter, told, now=now, make=make)

        self.shell = Shell(
            ShellSettings(
                unit=config.unit.name,
                port=config.link.port,
                baud=config.link.baud,
                journal=config.journal.path,
                service=None,
                config_hash=config.config_hash(),
                instruments=instruments(self.clock) if instruments else None,
            ),
            core,
            lambda asked: make_job(config, asked, calibrated.blocking()),
            self.clock,
            make_port=port,
            calibrated=calibrated,
            taping=self.taping,
        )
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

    def mute(self) -> None:
        """From now on nothing is sent any more."""
        self.shell._port.write = lambda data: None  # type: ignore[method-assign]

    def block_journal(self, on: bool) -> None:
        """The journal cannot be written, as after a remount."""
        self.shell.journal._db.rows(f"PRAGMA query_only = {'ON' if on else 'OFF'}")

    async def kill(self) -> None:
        """As kill -9 leaves it: nothing more is written or sent."""
        assert self._task is not None
        shell, task = self.shell, self._task
        self._task = None
        shell._record = lambda outputs: None  # type: ignore[method-assign]
        shell.writer.retry = lambda now: 0  # type: ignore[misc,method-assign]
        shell._syncer.stop()
        if shell.settings.instruments is not None:
            shell.settings.instruments.stop()
        shell.journal.close()
        shell._port.close()
        if shell._wake is not None:
            shell._wake.cancel()
        task.cancel()
        with suppress(asyncio.CancelledError, Exception):
            await task

    def ask(self, do: str, **more: Any) -> Json:
        """Carry out a request as it comes over the wire."""
        return self.shell.handle({"do": do, **more})
