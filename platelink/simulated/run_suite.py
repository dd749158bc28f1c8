"""Runs every bench, one after the other, each as a process of its own."""

from __future__ import annotations

import os
import platform
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from platelink import __version__
from platelink.simulated.suite import Machine, Ran, Suite, parsed

Benches = Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]
_HERE = Path(__file__).parent


def run_suite(
    program: Sequence[str], benches: Benches, *, quick: bool,
    ran: Callable[[str, Suite], None] = lambda name, suite: None,
) -> Suite:  # fmt: skip
    """``program``: what a bench's command is appended to. ``ran`` gets all there is after each."""
    commit, changed = _commit()
    suite = Suite(
        version=__version__, commit=commit, changed=changed,
        at_utc=datetime.now(UTC).replace(microsecond=0), quick=quick, machine=machine(), benches={},
    )  # fmt: skip
    for name, (command, short) in benches.items():
        one = run_bench([*program, *command, *(short if quick else ()), "--json"])
        suite = suite.model_copy(update={"benches": {**suite.benches, name: one}})
        ran(name, suite)
    return suite


def run_bench(command: Sequence[str]) -> Ran:
    """One; where it gives no JSON object, the last line of what it complained of says why."""
    began = time.monotonic()
    try:
        done = subprocess.run(  # noqa: S603 -- our own program
            command, capture_output=True, text=True, errors="replace", check=False
        )
    except OSError as error:
        return Ran(exit_code=-1, seconds=0.0, result=None, reason=str(error))
    seconds = round(time.monotonic() - began, 1)
    try:
        result = parsed(done.stdout)
    except ValueError:
        result = None
    if isinstance(result, dict):
        return Ran(exit_code=done.returncode, seconds=seconds, result=result)
    said = [line.strip() for line in done.stderr.splitlines() if line.strip()]
    how = f"killed by signal {-done.returncode}" if done.returncode < 0 else "it printed no result"
    reason = said[-1].removeprefix("Error: ") if said else how
    return Ran(exit_code=done.returncode, seconds=seconds, result=None, reason=reason)


def machine() -> Machine:
    """This one."""
    return Machine(
        processor=next(_processor(), "") or platform.processor() or platform.machine(),
        cores=len(os.sched_getaffinity(0)),
        python=platform.python_version(),
        system=f"{platform.system()} {platform.release()}",
    )


def _processor() -> Iterator[str]:
    """As Linux names it."""
    try:
        lines = Path("/proc/cpuinfo").read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        key, _, value = line.partition(":")
        if key.strip() in ("model name", "Model") and value.strip():
            yield value.strip()


def _commit() -> tuple[str | None, bool]:
    """The commit that this file is of, and whether files differ from it; None where it is of none:
    installed, perhaps beside somebody's other checkout."""
    if _git("ls-files", "--error-unmatch", Path(__file__).name) is None:
        return None, False
    return _git("rev-parse", "HEAD"), bool(_git("status", "--porcelain"))


def _git(*arguments: str) -> str | None:
    try:
        done = subprocess.run(  # noqa: S603 -- fixed arguments
            ["git", "-C", str(_HERE), *arguments],  # noqa: S607 -- as the user has it
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    except OSError:
        return None
    return done.stdout.strip() if done.returncode == 0 else None
