"""How late the control loop is while clients load, flood and stop: real processes, in the light."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platelink.cli.group import Failure
from platelink.cli.simulation import configuration
from platelink.client import Client, ClientError
from platelink.client.reach import answers
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SCENARIO = "faded"
DOSE = "5000 mJ/cm2"
"""More than falls while all of it is measured."""
SETTLE_S = 2.0
"""Between two loads, and before the first."""
UP_S = 30.0
LOOP, BESIDE = "loop.json", "beside.json"
P99_LIMIT_MS, MAX_LIMIT_MS = 5.0, 20.0
LEAD, SECRET = "bench", secrets.token_urlsafe(16)

LOADS: dict[str, tuple[str | None, bool]] = {
    "idle": (None, False),
    "one live client, stopped": ("one", True),
    "the service itself, stopped": (None, True),
    "50 live clients": ("many", False),
    "flood of reads": ("reads", False),
    "flood of commands": ("commands", False),
    "flood of wrong sign-ins": ("sign-ins", False),
}
"""What loads: the kind of client, and whether something is stopped (SIGSTOP) all the while."""


def bench_lag(seconds: float = 12.0) -> dict[str, Any]:
    """Lateness of the control loop under each load, milliseconds, and the limits; and that of an
    empty loop beside it, in a process of its own: what is late there too is the computer's."""
    with tempfile.TemporaryDirectory(prefix="platelink-lag-") as name:
        directory = Path(name)
        with PtyProcess(scenario=SCENARIO, speed=1.0, link=directory / "tty") as unit:
            spans = _measure(directory, unit.path, seconds)
        loop, beside = (_noted(directory / name) for name in (LOOP, BESIDE))
    rows = {load: {"loop": loop.within(span), "beside": beside.within(span)}
            for load, span in spans.items()}  # fmt: skip
    return {
        "loads": rows,
        "p99_limit_ms": P99_LIMIT_MS,
        "max_limit_ms": MAX_LIMIT_MS,
        "seconds": seconds,
        "ok": all(
            row["loop"]["p99_ms"] < P99_LIMIT_MS and row["loop"]["max_ms"] < MAX_LIMIT_MS
            for row in rows.values()
        ),
    }


class Lateness:
    """What a ``LagMeter`` noted."""

    def __init__(self, noted: dict[str, Any]) -> None:
        self._at_s = np.array(noted["at_s"])
        self._late_ms = 1000.0 * np.array(noted["late_s"])

    def within(self, span: tuple[float, float]) -> dict[str, float]:
        """Figures of a span of time."""
        return figures(self._late_ms[(self._at_s >= span[0]) & (self._at_s < span[1])])


def _noted(path: Path) -> Lateness:
    return Lateness(json.loads(path.read_text(encoding="utf-8")))


def figures(late_ms: Sequence[float] | np.typing.NDArray[np.float64]) -> dict[str, float]:
    """The middle, the 99th percentile and the largest of some latenesses."""
    p50, p99 = np.percentile(late_ms, [50, 99])
    return {
        "n": len(late_ms),
        "p50_ms": round(float(p50), 3),
        "p99_ms": round(float(p99), 3),
        "max_ms": round(float(np.max(late_ms)), 3),
    }


def _measure(directory: Path, port: str, seconds: float) -> dict[str, tuple[float, float]]:
    socket = directory / "journal.socket"
    with (
        _daemon(directory, port),
        _ours("platelink.cli.bench_load", "beside", str(directory / BESIDE), ""),
        contextlib.ExitStack() as stack,
    ):
        _until(lambda: answers(socket), "the daemon answers")
        client = stack.enter_context(Client(socket))
        client.add_first(LEAD, SECRET)
        token = client.sign_in(LEAD, SECRET)["token"]
        _until(lambda: _lit(client), "light falls")
        spans = {}
        for load, (kind, stopped) in LOADS.items():
            time.sleep(SETTLE_S)
            with _load(kind, socket, token) as child:
                pid = child.pid if child is not None else client.status()["service"]["pid"]
                with _stopped(pid if stopped else None):
                    begun = time.monotonic()
                    time.sleep(seconds)
                    spans[load] = (begun, time.monotonic())
        client.command("stop", "measured")
    return spans


@contextlib.contextmanager
def _daemon(directory: Path, port: str) -> Iterator[None]:
    config = directory / "platelink.toml"
    config.write_text(
        configuration(
            SCENARIOS[SCENARIO].parameters, unit="bench-unit", site="invented-shop", port=port,
            journal=directory / "journal.sqlite", expected_mw_cm2=7.0,
        ),
        encoding="utf-8",
    )  # fmt: skip
    arguments = ["--config", str(config), "serve", "--json", "--measure-lag"]
    with _ours("platelink", *arguments, str(directory / LOOP)):
        yield


@contextlib.contextmanager
def _load(kind: str | None, socket: Path, token: str) -> Iterator[subprocess.Popen[bytes] | None]:
    """Clients of a kind, which are there when the block begins."""
    if kind is None:
        yield None
        return
    with _ours("platelink.cli.bench_load", kind, str(socket), token) as child:
        time.sleep(SETTLE_S)
        yield child


@contextlib.contextmanager
def _stopped(pid: int | None) -> Iterator[None]:
    if pid is None:
        yield
        return
    os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


@contextlib.contextmanager
def _ours(module: str, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """One of our modules as a process, ended in order or else not."""
    child = subprocess.Popen(  # noqa: S603 -- our own modules
        [sys.executable, "-m", module, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(timeout=UP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _lit(client: Client) -> bool:
    """An exposure is begun, and its light is on."""
    exposure = client.status()["exposure"]
    if exposure is None:
        with contextlib.suppress(ClientError):  # the device may not be there yet
            client.expose({"dose": DOSE, "contact": False, "max_light_s": 1800.0})
        return False
    return bool(exposure["step"] == "light")


def _until(condition: Any, what: str) -> None:
    end = time.monotonic() + UP_S
    while not condition():
        if time.monotonic() > end:
            raise Failure(f"not after {UP_S:.0f} s: {what}")
        time.sleep(0.1)
