"""What a unit needs of its computer: processor and memory of its processes, in the light."""

from __future__ import annotations

import contextlib
import secrets
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx

from platelink.client import Client
from platelink.client.reach import answers
from platelink.contract.words import Command
from platelink.simulated.bench_processes import SCENARIO, daemon, lit, page, until, used
from platesim.ptyprocess import PtyProcess

LEAD, SECRET = "bench", secrets.token_urlsafe(16)
VIEWS = ("/", "/plates", "/history", "/alarms")
SETTLE_S = 3.0
CPU_AIM_PCT = 2.0
"""Of a core: the daemon, in the light."""
MEMORY_AIM_MB = 150.0
"""Daemon, service and page together."""
NO_PROC = "this system does not tell the memory of a process (/proc/PID/smaps_rollup of Linux)"


@dataclass(frozen=True, slots=True)
class Needs:
    """What one process takes."""

    cpu_pct: float
    """Of a core."""
    memory_mb: float
    """Its own, and its share of what several processes hold (PSS of proc(5)), 10^6 bytes."""


@dataclass(frozen=True, slots=True)
class NeedsBench:
    """Of all processes of a unit, and the aims."""

    processes: dict[str, Needs]
    cpu_pct: float
    """Of the daemon."""
    memory_mb: float
    """Of daemon, service and page."""
    frames_a_s: float
    cpu_aim_pct: float
    memory_aim_mb: float
    seconds: float
    ok: bool


def bench_needs(seconds: float = 12.0) -> NeedsBench:
    """Measure for so long, of an exposure in the light, with a page that was looked at."""
    with (
        tempfile.TemporaryDirectory(prefix="platelink-needs-") as name,
        PtyProcess(scenario=SCENARIO, speed=1.0, link=Path(name) / "tty") as unit,
        daemon(Path(name), unit.path) as main,
        Client(Path(name) / "journal.socket") as client,
    ):
        until(lambda: answers(client.socket), "the daemon answers")
        client.add_first(LEAD, SECRET)
        client.sign_in(LEAD, SECRET)
        with _looked_at(Path(name)) as pid:
            until(lambda: lit(client), "light falls")
            pids = {"daemon": main.pid, **_children(main.pid, client), "page": pid}
            time.sleep(SETTLE_S)
            found = _measured(pids, client, seconds)
            client.command(Command.STOP, "measured")
    return found


def _measured(pids: dict[str, int], client: Client, seconds: float) -> NeedsBench:
    begun, frames = time.monotonic(), client.status().link.frames
    before = {which: used(pid)[0] for which, pid in pids.items()}
    time.sleep(seconds)
    taken_s = time.monotonic() - begun
    processes = {
        which: Needs(
            round(100.0 * (used(pid)[0] - before[which]) / taken_s, 2), round(_pss_mb(pid), 1)
        )
        for which, pid in pids.items()
    }
    return judged(processes, (client.status().link.frames - frames) / taken_s, seconds)


def judged(processes: dict[str, Needs], frames_a_s: float, seconds: float) -> NeedsBench:
    """Beside the aims."""
    cpu_pct = processes["daemon"].cpu_pct
    memory_mb = round(sum(processes[which].memory_mb for which in ("daemon", "service", "page")), 1)
    return NeedsBench(
        processes, cpu_pct, memory_mb, round(frames_a_s, 1), CPU_AIM_PCT, MEMORY_AIM_MB, seconds,
        ok=cpu_pct <= CPU_AIM_PCT and memory_mb <= MEMORY_AIM_MB,
    )  # fmt: skip


def _children(pid: int, client: Client) -> dict[str, int]:
    """Service and lane."""
    service = client.status().service
    until(lambda: len(_of_parent(pid)) == 2, "service and lane")
    assert service is not None and service.pid is not None
    lane = next(child for child in _of_parent(pid) if child != service.pid)
    return {"service": service.pid, "lane": lane}


def _of_parent(pid: int) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # over meanwhile
            if int(path.read_text("ascii").rpartition(")")[2].split()[1]) == pid:
                found.append(int(path.parent.name))
    return found


def _pss_mb(pid: int) -> float:
    """TimeoutError, as all that a bench waits for in vain, where it is not told."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text("ascii").splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024 / 1e6
    raise TimeoutError(NO_PROC)


@contextlib.contextmanager
def _looked_at(directory: Path) -> Iterator[int]:
    """The page, looked at by somebody: its number."""
    with (
        page(directory) as (pid, port),
        httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False) as browser,
    ):
        until(lambda: _signed_in(browser), "the page is there")
        for view in VIEWS:
            browser.get(view).raise_for_status()
        yield pid


def _signed_in(browser: httpx.Client) -> bool:
    with contextlib.suppress(httpx.TransportError):
        return browser.post(
            "/api/v1/sign-in", json={"name": LEAD, "secret": SECRET},
            headers={"origin": str(browser.base_url).rstrip("/")},
        ).is_success  # fmt: skip
    return False
