"""The command ``serve``: the daemon of one unit."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Generic, TypeVar

import click

from platelink.cli.context import load_config
from platelink.cli.printing import LinePrinter
from platelink.config.model import Config
from platelink.contract.unit import LiveLine, StatusLine
from platelink.daemon.clock import Clock
from platelink.daemon.lag import LagMeter
from platelink.daemon.setup import make_shell
from platelink.daemon.supervised import Supervised
from platelink.memory import one_arena

_T = TypeVar("_T")
LINES_WAIT = 1000


class Aside(Generic[_T]):
    """Prints in a thread of its own: a terminal that was paused must not pause the control loop.
    What comes meanwhile waits, as much as is worth reading; the rest is in the journal."""

    def __init__(self, take: Callable[[_T], None]) -> None:
        self._take = take
        self._lines: queue.Queue[_T | None] = queue.Queue(LINES_WAIT)
        self._thread = threading.Thread(target=self._run, name="printing", daemon=True)

    def __enter__(self) -> Aside[_T]:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(queue.Full):
            self._lines.put(None, timeout=1.0)
        self._thread.join(timeout=2.0)

    def __call__(self, line: _T) -> None:
        """Have a line printed, some time."""
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(line)

    def _run(self) -> None:
        with contextlib.suppress(OSError):  # nobody reads on: the unit is led all the same
            while (line := self._lines.get()) is not None:
                self._take(line)


class Worth:
    """Hands on what is worth printing: lines of the unit, and why its port cannot be had, at once
    and once. ``statuses``: these too; a thread woken for nothing is in the loop's way."""

    def __init__(self, take: Callable[[LiveLine | str], None], *, statuses: bool) -> None:
        self._take, self._statuses = take, statuses
        self._problem = ""

    def __call__(self, line: LiveLine) -> None:
        """One line of the unit."""
        if isinstance(line, StatusLine) and line.status.problem != self._problem:
            self._problem = line.status.problem
            if self._problem:
                self._take(self._problem)
        if self._statuses or not isinstance(line, StatusLine):
            self._take(line)


@click.command()
@click.option(
    "--speed",
    default=1.0,
    hidden=True,
    help="How much faster than real time (for a simulated unit).",
)
@click.option("--measure-lag", type=click.Path(path_type=Path, dir_okay=False), hidden=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def serve(speed: float, measure_lag: Path | None, as_json: bool) -> None:
    """Run the daemon: read the unit, answer commands, record, publish.

    UV light and heat can injure: keep lids and interlocks as the maker built them. This program
    never replaces the unit's own interlock or emergency stop.
    """
    one_arena()
    config = load_config()
    statuses = sys.stdout.isatty() and not as_json
    printer = LinePrinter(as_json=as_json)

    def take(line: LiveLine | str) -> None:
        if isinstance(line, str):
            printer.problem(line)
        else:
            printer(line)

    with Aside(take) as aside:
        asyncio.run(_serve(config, Clock(speed), Worth(aside, statuses=statuses), measure_lag))


async def _serve(
    config: Config, clock: Clock, listener: Callable[[LiveLine], None], measure_lag: Path | None
) -> None:
    shell = make_shell(config, clock, today=date.today)
    shell.followers.add(listener)
    loop = asyncio.get_running_loop()
    supervised = Supervised(os.environ, shell.late_s)

    def leave() -> None:
        supervised.stop()
        shell.stop()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, leave)
    click.echo(
        f"serving unit {config.unit.name} on {config.link.port}, journal {config.journal.path}",
        err=True,
    )
    gc.collect()
    gc.freeze()  # what is there by now stays: looking through it again would hold up the loop
    meter = None if measure_lag is None else LagMeter()

    def ready() -> None:
        supervised.start()
        if meter is not None:
            meter.start()

    await shell.run(ready)
    if meter is not None and measure_lag is not None:
        meter.write(measure_lag)
