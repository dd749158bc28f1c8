"""The processes of a simulated group: its units, and broker, recorders and store for them."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from platelink.ledger.by import from_ms
from platelink.publish.services import (
    BrokerService,
    ServiceError,
    StoreService,
    die_with_parent,
)
from platelink.publish.store import Store, StoreSettings
from platelink.simulated.bench_processes import ended, used
from platelink.simulated.group_found import Readable
from platelink.simulated.group_plate import A_WEEK, CYCLE_MS, Pattern, load, record
from platelink.simulated.group_units import SITE, Plan, UnitPlan, utc_ms

LOOK_S: Final = 0.5
A_PROCESS: Final = 125
"""Publishers in one process: more would open files beyond what select can wait for."""
LIMIT_S: Final = 1800.0
"""Of each part of the bench."""
BEFORE_MS: Final = 10_000
"""Before its present plate a unit is said to have made others: nothing of it is new to the store,
which shows the first point of a new series only after some seconds."""
_TAIL_BYTES: Final = 100_000
"""More than a line has."""


@dataclass(frozen=True, slots=True)
class Size:
    """Of a group."""

    units: int = 500
    behind: int = 1
    """Of these, not heard of at first."""
    plates: int = A_WEEK
    """That each of those has made before."""
    recorders: int = 1
    seed: int = 1


class Child:
    """One of our modules as a process that tells lines of JSON."""

    def __init__(self, name: str, directory: Path, *arguments: str) -> None:
        self.name = name
        self.errors = directory / f"{name}.err"
        self.lines = directory / f"{name}.json"
        with self.lines.open("wb") as out, self.errors.open("wb") as err:
            self.process = subprocess.Popen(  # noqa: S603 -- our own modules
                [*die_with_parent(), sys.executable, "-m", *arguments], stdout=out, stderr=err
            )

    def told(self) -> dict[str, Any]:
        """The newest line; empty before the first. ServiceError: it has ended."""
        code = self.process.poll()
        if code is not None:
            raise ServiceError(
                f"{self.name} ended with code {code}: "
                f"{self.errors.read_text('utf-8', 'replace')[-400:].strip()}"
            )
        return self.last()

    def last(self) -> dict[str, Any]:
        """The newest whole line."""
        with self.lines.open("rb") as file:
            file.seek(max(0, self.lines.stat().st_size - _TAIL_BYTES))
            whole = file.read().rpartition(b"\n")[0].splitlines()
        return json.loads(whole[-1]) if whole else {}

    def all(self) -> list[dict[str, Any]]:
        """Every line."""
        whole, _, _ = self.lines.read_bytes().rpartition(b"\n")
        return [json.loads(line) for line in whole.splitlines()]


class Fleet:
    """All processes, and what they tell."""

    def __init__(self, size: Size, directory: Path, of_units: Path, running: ExitStack) -> None:
        """Everything is started, and the journals have all that is past. ``of_units``: where the
        units have their files. ServiceError says what is missing. All processes end with
        ``running``."""
        self.directory, self.of_units, self._running = directory, of_units, running
        self.publishers: list[Child] = []
        record(of_units)
        self.pattern: Pattern = load(of_units)
        names = [f"unit-{n + 1}" for n in range(size.units)]
        users = ["recorder", *(f"recorder-{n + 1}" for n in range(1, size.recorders))]
        self.broker = BrokerService(
            directory / "broker", *(f"{SITE}/{name}" for name in names), recorders=tuple(users)
        )
        self.store = StoreService(directory / "store")
        for service in (self.broker, self.store):
            running.callback(service.stop)
            service.start()
        dice, now_ms = np.random.default_rng(size.seed), utc_ms()
        units = tuple(
            UnitPlan(
                name, self.broker.passwords[f"{SITE}/{name}"],
                now_ms - int(dice.integers(CYCLE_MS)), size.plates if n < size.behind else 0,
            )
            for n, name in enumerate(names)
        )  # fmt: skip
        self.units, self.away = units[size.behind :], units[: size.behind]
        Plan(self.broker.port, units).save(of_units)
        self.readable = Readable(self.store.url, SITE)
        self._make_known(units)
        self.recorders = [self._recorder(user, size.recorders > 1) for user in users]
        self.until(lambda: all(child.told().get("connected") for child in self.recorders))
        self.writer = self._child("writer", "write")
        self.until(lambda: bool(self.writer.told()))

    def _make_known(self, units: Sequence[UnitPlan]) -> None:
        """Every series of the samples gets a point."""
        store = Store(StoreSettings(self.store.url))
        for unit in units:
            at_ms = unit.first_ms - BEFORE_MS
            store.write("\n".join(self.pattern.one_of_each(SITE, unit.name, at_ms)))
        store.close()
        each, names = len(self.pattern.one_of_each(SITE, "unit", 0)), [unit.name for unit in units]
        self.until(lambda: self.readable.count(names) == each * len(units))
        self.readable.known = each

    def start(self) -> float:
        """All units but those that are away begin, in the middle of a plate of which nobody has
        heard: as many at once as a process has. Entries a second until the store gives them
        back."""
        begun, entries = time.monotonic(), 0
        for first in range(0, len(self.units), A_PROCESS):
            units, now_ms = self.units[first : first + A_PROCESS], utc_ms()
            begin = len(self.away) + first
            self._publish(begin, begin + len(units))
            entries += self._readable_until(units, now_ms)
        return entries / (time.monotonic() - begun)

    def come_back(self) -> tuple[int, float]:
        """Those that were away begin as well: how many entries they had, and how many seconds until
        the store gives back all of these."""
        begun, now_ms = time.monotonic(), utc_ms()
        self._publish(0, len(self.away))
        return self._readable_until(self.away, now_ms), time.monotonic() - begun

    def _readable_until(self, units: Sequence[UnitPlan], at_ms: int) -> int:
        had = [self.pattern.told_by(unit.first_ms, at_ms, unit.before) for unit in units]
        names, samples = [unit.name for unit in units], sum(n for _, n in had)
        self.look_until(lambda: self.readable.count(names) >= samples)
        return sum(n for n, _ in had)

    def look_until(self, done: Callable[[], bool]) -> None:
        """Look at the store, and at all processes, again and again."""
        due, end = time.monotonic(), time.monotonic() + LIMIT_S
        while not done():
            self._in_time(end)
            time.sleep(max(0.0, due - time.monotonic()))
            due = max(due + LOOK_S, time.monotonic())
            self.readable.look()
            for child in (self.writer, *self.recorders, *self.publishers):
                child.told()

    def until(self, done: Callable[[], bool]) -> None:
        """Wait for it."""
        end = time.monotonic() + LIMIT_S
        while not done():
            self._in_time(end)
            time.sleep(0.1)

    def _in_time(self, end: float) -> None:
        if time.monotonic() > end:
            raise ServiceError(f"not within {LIMIT_S:.0f} s: {self._problems()}")

    def _problems(self) -> str:
        lines = [child.last() for child in (*self.publishers, *self.recorders)]
        kinds = ("problem", "broker_problem", "store_problem", "journal_problem")
        told = (str(line[kind]) for line in lines for kind in kinds if line.get(kind))
        return "; ".join(told) or "it goes on, but too slowly for this computer: take fewer units"

    def _publish(self, first: int, last: int) -> None:
        child = self._child(f"publisher-{first}", "publish", str(first), str(last))
        self.publishers.append(child)

    def _child(self, name: str, what: str, *more: str) -> Child:
        module = "platelink.simulated.group_units"
        child = Child(name, self.directory, module, what, str(self.of_units), *more)
        self._running.enter_context(ended(child.process))
        return child

    def _recorder(self, user: str, shared: bool) -> Child:
        config = self.directory / f"{user}.toml"
        config.touch(mode=0o600)
        config.write_text(
            f'format = 1\n\n[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
            f'username = "{user}"\npassword = "{self.broker.passwords[user]}"\n\n'
            f'[recorder]\npath = "{self.directory}/{user}.sqlite"\n'
            + ('group = "bench"\n' if shared else "")
            + f'\n[store]\nurl = "{self.store.url}"\n',
            "utf-8",
        )
        child = Child(
            user, self.directory, "platelink", "--config", str(config), "recorder", "--json",
            "--every", "1",
        )  # fmt: skip
        self._running.enter_context(ended(child.process))
        return child

    def stop_writing(self) -> None:
        """What is written by then is all."""
        self.writer.process.terminate()
        self.writer.process.wait()

    # --- what they use and tell ------------------------------------------------------------

    def used(self) -> tuple[tuple[float, float], ...]:
        """Seconds of the processor and MB of publishers, broker, recorders, store."""
        parts = (
            [child.process.pid for child in self.publishers], [self.broker.pid],
            [child.process.pid for child in self.recorders], [self.store.pid],
        )  # fmt: skip
        found = [[used(pid) for pid in pids if pid is not None] for pids in parts]
        return tuple((sum(cpu for cpu, _ in of), sum(mb for _, mb in of)) for of in found)

    def memory_mb_per_unit(self) -> float | None:
        """Of each publisher after the first one of a process."""
        more_mb = sum(used(c.process.pid)[1] - c.told()["alone_mb"] for c in self.publishers)
        more = sum(c.told()["units"] - 1 for c in self.publishers)
        return more_mb / more if more else None

    def counted(self, name: str) -> int:
        """Of all recorders."""
        return sum(child.told()["counts"][name] for child in self.recorders)

    def recorder_lags_s(self, begin_ms: int) -> list[float]:
        """As they told them since then, one a second."""
        begin = from_ms(begin_ms)
        return [
            line["lag_s"]
            for child in self.recorders
            for line in child.all()
            if datetime.fromisoformat(line["at_utc"]) >= begin
        ]
