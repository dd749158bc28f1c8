"""How soon a stop is answered, by the service's socket and by the page, while clients attack: real
processes, in the light."""

from __future__ import annotations

import contextlib
import http.client
import json
import secrets
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import httpx
import numpy as np

from platelink.client import Client, ClientError
from platelink.client.reach import answers
from platelink.contract.words import Command, Role
from platelink.record.journal import Journal
from platelink.runs import RunStart, SampleBlock
from platelink.simulated.bench_attack import Target
from platelink.simulated.bench_lag import BESIDE, Figures, figures, noted
from platelink.simulated.bench_processes import SCENARIO, daemon, lit, ours, until
from platelink.simulated.bench_processes import page as page_process
from platesim.ptyprocess import PtyProcess

P99_LIMIT_MS = 100.0
EVERY_S = 0.05
"""Between two stops of one way."""
SETTLE_S = 3.0
PATIENCE_S = 10.0
DISK_MB = 96
RUN, RUN_HOURS = "a-long-run", 3.0
LEAD, WORKER, READER = "bench", "bench-worker", "bench-reader"
SECRET = secrets.token_urlsafe(16)
ATTACKS = {
    "none": None,
    "idle sockets": "idle",
    "flood of reads": "reads",
    "flood of acts": "acts",
    "flood of sign-ins": "sign_ins",
    "flood of live lines": "lines",
    "a big export": "export",
    "a check of a long record": "check",
    "a full disk": "full",
}


@dataclass(frozen=True, slots=True)
class Stops:
    """How soon stops were answered, and how many were not carried to the unit."""

    n: int
    p50_ms: float
    p99_ms: float
    max_ms: float
    refused: int


@dataclass(frozen=True, slots=True)
class Attacked(Stops):
    """Under one attack, by both ways together, and by each."""

    dark: bool
    """The light was out in the end."""
    socket: Stops
    page: Stops
    beside: Figures
    """Lateness of an empty loop in a process of its own: what is late there is the computer's."""


@dataclass(frozen=True, slots=True)
class StopBench:
    """Under every attack; None for one that cannot be made here."""

    attacks: dict[str, Attacked | None]
    p99_limit_ms: float
    seconds: float
    ok: bool


def bench_stop(seconds: float = 12.0) -> StopBench:
    """Measure under each attack for so long."""
    with tempfile.TemporaryDirectory(prefix="platelink-stop-") as name, _small_disk(name) as small:
        directory = Path(name)
        _record_long(directory / "journal.sqlite")
        with PtyProcess(scenario=SCENARIO, speed=1.0, link=directory / "tty") as unit:
            attacks = _measure(directory, unit.path, seconds, full=small)
    return judged(attacks, seconds)


def judged(attacks: dict[str, Attacked | None], seconds: float) -> StopBench:
    """The figures, and whether every one is within its limits."""
    ok = all(a.p99_ms < P99_LIMIT_MS and not a.refused and a.dark for a in attacks.values() if a)
    return StopBench(attacks, P99_LIMIT_MS, seconds, ok)


def _measure(
    directory: Path, port: str, seconds: float, *, full: bool
) -> dict[str, Attacked | None]:
    found: dict[str, tuple[_Ways, bool] | None] = {}
    socket = directory / "journal.socket"
    with (
        daemon(directory, port, more="[service]\nport = 0\n"),
        ours("platelink.simulated.bench_load", "beside", str(directory / BESIDE), ""),
        page_process(directory) as (_, page),
        Client(socket) as client,
    ):
        until(lambda: answers(socket), "the daemon answers")
        client.add_first(LEAD, SECRET)
        browser = _Browser(page, LEAD)
        token = client.sign_in(LEAD, SECRET).token
        client.add_person(WORKER, Role.OPERATOR, SECRET)
        client.add_person(READER, Role.AUDITOR, SECRET)
        worker = _Browser(page, WORKER)
        service = client.status().service
        assert service is not None and service.port is not None
        target = Target(
            socket=str(socket), port=service.port, page=page, run=RUN, csrf=worker.csrf,
            config=str(directory / "platelink.toml"), reader=_Browser(page, READER).token,
            worker=worker.token,
        )  # fmt: skip
        for name, kind in ATTACKS.items():
            if kind == "full" and not full:
                found[name] = None
                continue
            until(lambda: _lit_again(client), "light falls")
            with _attack(kind, target):
                ways = _stops(socket, token, browser, seconds)
            found[name] = ways, _dark(client)
    beside = noted(directory / BESIDE)
    return {
        name: one and _attacked(one[0], beside.within(one[0].span), dark=one[1])
        for name, one in found.items()
    }


def _attacked(ways: _Ways, beside: Figures, *, dark: bool) -> Attacked:
    both = _of([*ways.socket, *ways.page])
    of_each = (_of(ways.socket), _of(ways.page))
    return Attacked(
        both.n, both.p50_ms, both.p99_ms, both.max_ms, both.refused, dark, *of_each, beside
    )


def _of(late_ms: list[float | None]) -> Stops:
    answered = [ms for ms in late_ms if ms is not None]
    told = figures(answered or [float("nan")])
    return Stops(len(late_ms), told.p50_ms, told.p99_ms, told.max_ms, len(late_ms) - len(answered))


class _Ways(NamedTuple):
    """Milliseconds to each answer of the unit by both ways, None where there was none."""

    socket: list[float | None]
    page: list[float | None]
    span: tuple[float, float]


def _stops(socket: Path, token: str, browser: _Browser, seconds: float) -> _Ways:
    """Both ways at once."""
    begun = time.monotonic()
    found = _Ways([], [], (begun, begun + seconds))

    def again(stop: Callable[[], float | None], noted: list[float | None]) -> None:
        while time.monotonic() < found.span[1]:
            noted.append(stop())
            time.sleep(EVERY_S)

    threads = [
        threading.Thread(target=again, args=(lambda: _by_socket(socket, token), found.socket)),
        threading.Thread(target=again, args=(browser.stop, found.page)),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


def _by_socket(socket: Path, token: str) -> float | None:
    """A hold by a client that has just come, as a command is one."""
    with Client(socket, token, answer_s=PATIENCE_S) as client:
        begun = time.monotonic()
        try:
            client.command(Command.HOLD, "bench")
        except ClientError as error:
            if error.kind != "refused":
                return None
        return 1e3 * (time.monotonic() - begun)


class _Browser:
    """Somebody who signed in at the page."""

    def __init__(self, page: int, name: str) -> None:
        self._page = page
        self._own = {"origin": f"http://localhost:{page}", "host": f"localhost:{page}"}
        answer = httpx.post(
            f"http://127.0.0.1:{page}/api/v1/sign-in", json={"name": name, "secret": SECRET},
            headers=self._own, timeout=PATIENCE_S,
        )  # fmt: skip
        answer.raise_for_status()
        self.csrf = str(answer.json()["csrf"])
        self.token = str(answer.cookies["platelink_session"])

    def stop(self) -> float | None:
        """A hold by a connection of its own."""
        line = http.client.HTTPConnection("127.0.0.1", self._page, timeout=PATIENCE_S)
        begun = time.monotonic()
        try:
            line.request(
                "POST", "/api/v1/exposure/hold", b"{}",
                {**self._own, "content-type": "application/json", "x-csrf-token": self.csrf,
                 "cookie": f"platelink_session={self.token}"},
            )  # fmt: skip
            answer = line.getresponse()
            kind = json.loads(answer.read()).get("kind", "done")
        except (OSError, http.client.HTTPException, ValueError):
            return None
        finally:
            line.close()
        return 1e3 * (time.monotonic() - begun) if kind in ("done", "refused") else None


def _lit_again(client: Client) -> bool:
    exposure = client.status().exposure
    if exposure is not None and exposure.state == "held":
        with contextlib.suppress(ClientError):
            client.command(Command.RESTART, "bench")
        return False
    return lit(client)


def _dark(client: Client) -> bool:
    with contextlib.suppress(TimeoutError):
        until(lambda: client.status().light.state == "dark", "the light is out")
        return True
    return False


@contextlib.contextmanager
def _attack(kind: str | None, target: Target) -> Iterator[None]:
    if kind is None:
        yield
        return
    child = subprocess.Popen(  # noqa: S603 -- our own modules
        [sys.executable, "-m", "platelink.simulated.bench_attack", kind],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert child.stdin is not None
    child.stdin.write(target.told())
    child.stdin.close()
    try:
        time.sleep(SETTLE_S)
        yield
    finally:
        child.terminate()
        child.wait()
        Path(target.socket).with_name("filler").unlink(missing_ok=True)


@contextlib.contextmanager
def _small_disk(name: str) -> Iterator[bool]:
    """A file system that can be filled; False where it takes rights that we do not have."""
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", name]
    try:
        subprocess.run(mount, check=True, capture_output=True)  # noqa: S603
    except (OSError, subprocess.CalledProcessError):
        yield False
        return
    try:
        yield True
    finally:
        subprocess.run(["umount", "--lazy", name], check=False)  # noqa: S603, S607


def _record_long(path: Path) -> None:
    """Hours of steady lamps, twenty samples a second."""
    at = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    with Journal.open(path, unit="bench-unit", new_uuid=secrets.token_hex(8)) as journal:
        journal.append(
            RunStart(id=journal.next_id(), unit="bench-unit", at_utc=at, run_id=RUN, step="film")
        )
        for first in range(0, int(RUN_HOURS * 72_000), 200):
            index = np.arange(first, first + 200)
            block = SampleBlock(
                ticks=(1000 + index * 50).astype(np.int64),
                at_utc_ms=(int(at.timestamp() * 1000) + index * 50).astype(np.int64),
                raw={
                    "light_sum_0": (index * 30_000 + index % 7).astype(np.uint64),
                    "light_count_0": (index * 50).astype(np.uint64),
                },
                values={"irradiance_mw_cm2": 12.0 + 0.01 * np.sin(index)},
            )
            journal.append_samples(RUN, block, at + timedelta(seconds=first / 20.0))
        journal.end_run(
            RUN, at + timedelta(hours=RUN_HOURS), "stopped", "invented", dose_mj_cm2=1.0,
            light_s=1.0,
        )  # fmt: skip
