"""How late the control loop is while clients load, flood and stop: real processes, in the light."""

from __future__ import annotations

import contextlib
import json
import secrets
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platelink.client import Client
from platelink.client.reach import answers
from platelink.contract.words import Command, Role
from platelink.simulated.bench_processes import SCENARIO, daemon, lit, ours, stopped, until
from platesim.ptyprocess import PtyProcess

SETTLE_S = 2.0
"""Between two loads, and before the first."""
LOOP, BESIDE = "loop.json", "beside.json"
P99_LIMIT_MS, MAX_LIMIT_MS = 5.0, 20.0
LEAD, SECRET = "bench", secrets.token_urlsafe(16)
PEOPLE = 10

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


@dataclass(frozen=True, slots=True)
class Figures:
    """Lateness within a span of time, milliseconds."""

    n: int
    p50_ms: float
    p99_ms: float
    max_ms: float


@dataclass(frozen=True, slots=True)
class Load:
    """Lateness under one load."""

    loop: Figures
    """Of the control loop."""
    beside: Figures
    """Of an empty loop in a process of its own: what is late there too is the computer's."""


@dataclass(frozen=True, slots=True)
class LagBench:
    """Lateness under every load, and the limits."""

    loads: dict[str, Load]
    p99_limit_ms: float
    max_limit_ms: float
    seconds: float
    ok: bool


def bench_lag(seconds: float = 12.0) -> LagBench:
    """Measure each load for so long."""
    with tempfile.TemporaryDirectory(prefix="platelink-lag-") as name:
        directory = Path(name)
        with PtyProcess(scenario=SCENARIO, speed=1.0, link=directory / "tty") as unit:
            spans = _measure(directory, unit.path, seconds)
        loop, beside = (noted(directory / name) for name in (LOOP, BESIDE))
    loads = {load: Load(loop.within(span), beside.within(span)) for load, span in spans.items()}
    ok = all(
        load.loop.p99_ms < P99_LIMIT_MS and load.loop.max_ms < MAX_LIMIT_MS
        for load in loads.values()
    )
    return LagBench(loads, P99_LIMIT_MS, MAX_LIMIT_MS, seconds, ok)


class Lateness:
    """What a ``LagMeter`` noted."""

    def __init__(self, noted: dict[str, Any]) -> None:
        self._at_s = np.array(noted["at_s"])
        self._late_ms = 1000.0 * np.array(noted["late_s"])

    def within(self, span: tuple[float, float]) -> Figures:
        """Figures of a span of time."""
        return figures(self._late_ms[(self._at_s >= span[0]) & (self._at_s < span[1])])


def noted(path: Path) -> Lateness:
    """What a meter wrote to a file."""
    return Lateness(json.loads(path.read_text(encoding="utf-8")))


def figures(late_ms: Sequence[float] | np.typing.NDArray[np.float64]) -> Figures:
    """The middle, the 99th percentile and the largest of some latenesses."""
    p50, p99 = np.percentile(late_ms, [50, 99])
    return Figures(
        n=len(late_ms),
        p50_ms=round(float(p50), 3),
        p99_ms=round(float(p99), 3),
        max_ms=round(float(np.max(late_ms)), 3),
    )


def _measure(directory: Path, port: str, seconds: float) -> dict[str, tuple[float, float]]:
    socket = directory / "journal.socket"
    with (
        daemon(directory, port, "--measure-lag", str(directory / LOOP)),
        ours("platelink.simulated.bench_load", "beside", str(directory / BESIDE), ""),
        contextlib.ExitStack() as stack,
    ):
        until(lambda: answers(socket), "the daemon answers")
        client = stack.enter_context(Client(socket))
        client.add_first(LEAD, SECRET)
        client.sign_in(LEAD, SECRET)
        tokens = list(_tokens(client))
        until(lambda: lit(client), "light falls")
        spans = {}
        for load, (kind, still) in LOADS.items():
            time.sleep(SETTLE_S)
            with _load(kind, socket, tokens) as child:
                pid = child.pid if child is not None else _service_pid(client)
                with stopped(pid if still else None):
                    begun = time.monotonic()
                    time.sleep(seconds)
                    spans[load] = (begun, time.monotonic())
        client.command(Command.STOP, "measured")
    return spans


@contextlib.contextmanager
def _load(
    kind: str | None, socket: Path, tokens: Sequence[str]
) -> Iterator[subprocess.Popen[bytes] | None]:
    """Clients of a kind, which are there when the block begins."""
    if kind is None:
        yield None
        return
    with ours("platelink.simulated.bench_load", kind, str(socket), ",".join(tokens)) as child:
        time.sleep(SETTLE_S)
        yield child


def _tokens(client: Client) -> Iterator[str]:
    """Of people enough for all clients: each may have a few live lines."""
    for number in range(PEOPLE):
        name = f"{LEAD}-{number}"
        client.add_person(name, Role.LEAD, SECRET)
        with Client(client.socket) as other:
            yield other.sign_in(name, SECRET).token


def _service_pid(client: Client) -> int | None:
    service = client.status().service
    return service.pid if service is not None else None
