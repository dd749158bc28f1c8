"""Real processes for the benches: a daemon on a simulated unit, and light to be measured in."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from platelink.client import Client, ClientError
from platelink.contract.unit import ExposureJob
from platelink.simulated.harness import configuration
from platesim.scenarios import SCENARIOS

SCENARIO = "faded"
DOSE = "5000 mJ/cm2"
"""More than falls while all of it is measured."""
UP_S = 30.0


@contextlib.contextmanager
def daemon(
    directory: Path, port: str, *options: str, more: str = ""
) -> Iterator[subprocess.Popen[bytes]]:
    """A daemon of the unit at a port, in a directory; ``more`` is added to its configuration."""
    config = directory / "platelink.toml"
    config.write_text(
        configuration(
            SCENARIOS[SCENARIO].parameters, unit="bench-unit", site="invented-shop", port=port,
            journal=directory / "journal.sqlite", expected_mw_cm2=7.0, more=more,
        ),
        encoding="utf-8",
    )  # fmt: skip
    with ours("platelink", "--config", str(config), "serve", "--json", *options) as child:
        yield child


@contextlib.contextmanager
def page(directory: Path) -> Iterator[tuple[int, int]]:
    """The page of that daemon, with as many files as a process usually may have open: its number
    and its port."""
    child = subprocess.Popen(  # noqa: S603 -- our own modules
        ["/bin/sh", "-c", 'ulimit -n 1024; exec "$@"', "sh", sys.executable, "-m", "platelink",
         "--config", str(directory / "platelink.toml"), "page", "--listen", "127.0.0.1:0"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert child.stdout is not None
    with child.stdout, ended(child):
        yield child.pid, int(child.stdout.readline().rstrip("/\n").rpartition(":")[2])


@contextlib.contextmanager
def ours(module: str, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """One of our modules as a process, ended in order or else not."""
    child = subprocess.Popen(  # noqa: S603 -- our own modules
        [sys.executable, "-m", module, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with ended(child):
        yield child


@contextlib.contextmanager
def ended(child: subprocess.Popen[Any]) -> Iterator[None]:
    """After the block it is, in order or else by force."""
    try:
        yield
    finally:
        child.terminate()
        try:
            child.wait(timeout=UP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


@contextlib.contextmanager
def stopped(pid: int | None) -> Iterator[None]:
    """Nothing of a process runs within the block."""
    if pid is None:
        yield
        return
    os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


def lit(client: Client) -> bool:
    """An exposure is begun, and its light is on."""
    exposure = client.status().exposure
    if exposure is None:
        with contextlib.suppress(ClientError):  # the device may not be there yet
            client.expose(ExposureJob(dose=DOSE, contact=False, max_light_s=1800.0))
        return False
    return exposure.step == "light"


def until(condition: Callable[[], object], what: str) -> None:
    """Wait; TimeoutError says what for."""
    end = time.monotonic() + UP_S
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError(f"not after {UP_S:.0f} s: {what}")
        time.sleep(0.1)


def used(pid: int) -> tuple[float, float]:
    """Seconds of the processor and MB in memory of a process (Linux, /proc)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
        pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    except OSError:
        return 0.0, 0.0
    ticks = os.sysconf("SC_CLK_TCK")
    return (int(fields[11]) + int(fields[12])) / ticks, pages * os.sysconf("SC_PAGE_SIZE") / 1e6
