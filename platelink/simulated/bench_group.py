"""A group of simulated units at real rates, through broker, recorders and store on this computer.

Every unit has a journal of its own, and the publisher that its daemon would have. Only the making
of entries is simulated: all write one plate after another in real time, each at another place of
it (``group_plate.py``). Broker, recorders and store are the shipped programs and settings. What a
unit's own disk and processor would do beside publishing is left out, as it is not the group's.

First the fleet alone is measured. Then units come back that made plates for a week unheard.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Self

import numpy as np

from platelink.simulated.group_fleet import LOOK_S, Fleet, Size
from platelink.simulated.group_found import Missing, Readable, Told, told_by
from platelink.simulated.group_units import allow_files, journal_of, utc_ms

QUIET_S: Final = 30.0
"""When nothing more has come for so long, nothing comes: longer than a missing entry waits to be
sent again."""
OF_UNITS: Final = Path("/dev/shm")  # noqa: S108 -- a directory of our own in it
"""Units have disks of their own: what they flush must not hold up the recorder's, so their files
are in memory where that can be."""
VALUES_OF: Final = 10
"""Of so many units every value is compared."""


@dataclass(frozen=True, slots=True)
class Lag:
    """From an entry of samples in its journal until it can be read in the store, seconds."""

    n: int
    """Entries; without any the others are not a number."""
    p50_s: float
    p99_s: float
    max_s: float

    @classmethod
    def of(cls, lags_s: Sequence[float]) -> Self:
        """Of these entries."""
        found = np.percentile(lags_s, [50, 99, 100]) if lags_s else np.full(3, np.nan)
        return cls(len(lags_s), *found.tolist())


@dataclass(frozen=True, slots=True)
class Cost:
    """Of each part."""

    publisher: float
    broker: float
    recorder: float
    store: float


@dataclass(frozen=True, slots=True)
class CatchUp:
    """Of units that made plates unheard and came back."""

    units: int
    entries: int
    """That they had to send."""
    seconds: float
    """Until the store gave back the last of them."""
    entries_a_s: float
    lag_before: Lag
    """Of the other units; so is the next."""
    lag_during: Lag


@dataclass(frozen=True, slots=True)
class GroupBench:
    """What was measured."""

    units: int
    recorders: int
    seconds: float
    lit_share: float
    messages_a_s: float
    """Entries of all units, as they were written."""
    samples_a_s: float
    lost: int
    """Samples and other entries that the store did not give back, and values that were others."""
    samples: int
    """That were compared."""
    values: int
    """Likewise."""
    twice: int
    """Points that the store gave back more than once."""
    duplicates: int
    """Messages that came to the recorders again, and were dropped."""
    lag: Lag
    """Over all of the time, of all units but those that were behind."""
    lag_p99_s: float
    look_s: float
    """By so much a lag may be stated too long."""
    recorder_lag_p99_s: float
    """As it states it: age of the oldest row that is to be written."""
    cpu_per_unit: Cost
    """Percent of a core."""
    memory_mb_per_unit: float | None
    """Of a publisher more in a process that has one; None where no process has two."""
    rss_mb: Cost
    """Of all processes of a kind."""
    writer_late_p99_s: float
    """How late the simulation wrote its entries."""
    begin_entries_a_s: float
    """Units begin in the middle of a plate that nobody has heard of, 125 of them at once."""
    catch_up: CatchUp | None


@dataclass(slots=True)
class _Counted:
    samples: int
    missing: Missing = field(default_factory=Missing)
    alone_s: list[float] = field(default_factory=list)
    """Lags; so is the next."""
    during_s: list[float] = field(default_factory=list)
    entries: int = 0
    live_samples: int = 0


def bench_group(
    size: Size, seconds: float = 120.0, *, say: Callable[[str], None] = lambda text: None
) -> GroupBench:
    """``seconds``: how long the fleet is measured alone. ServiceError where broker or store are
    missing, or a process ends."""
    allow_files()
    with _folder() as here, _folder(OF_UNITS) as of_units, ExitStack() as running:
        fleet = Fleet(size, Path(here), Path(of_units), running)
        say(f"{len(fleet.units)} units begin, each in the middle of a plate")
        begin_entries_a_s = fleet.start()
        say(f"the fleet is measured alone, {seconds:.0f} s")
        begin_ms, before, end = utc_ms(), fleet.used(), time.monotonic() + seconds
        fleet.look_until(lambda: time.monotonic() >= end)
        alone_ms, after = utc_ms(), fleet.used()
        per_unit = fleet.memory_mb_per_unit()
        back = None
        if fleet.away:
            say(f"{len(fleet.away)} come back")
            back = fleet.come_back()
        parts_ms = begin_ms, alone_ms, utc_ms()
        say("everything is counted")
        found = _counted(fleet, parts_ms)
        took_s = (alone_ms - begin_ms) / 1000.0
        shares = (100.0 * (b - a) / took_s / len(fleet.units)
                  for (a, _), (b, _) in zip(before, after, strict=True))  # fmt: skip
        lag = Lag.of([*found.alone_s, *found.during_s])
        return GroupBench(
            units=size.units, recorders=size.recorders, seconds=seconds,
            lit_share=fleet.pattern.lit_share, messages_a_s=found.entries / took_s,
            samples_a_s=found.live_samples / took_s, lost=found.missing.lost,
            samples=found.samples, values=found.missing.values, twice=found.missing.twice,
            duplicates=fleet.counted("duplicates"), lag=lag, lag_p99_s=lag.p99_s, look_s=LOOK_S,
            recorder_lag_p99_s=float(np.percentile(fleet.recorder_lags_s(begin_ms), 99)),
            cpu_per_unit=Cost(*shares), memory_mb_per_unit=per_unit,
            rss_mb=Cost(*(rss_mb for _, rss_mb in after)),
            writer_late_p99_s=fleet.writer.last()["late_p99_s"],
            begin_entries_a_s=begin_entries_a_s,
            catch_up=None if back is None else CatchUp(
                len(fleet.away), back[0], back[1], back[0] / back[1],
                Lag.of(found.alone_s), Lag.of(found.during_s),
            ),
        )  # fmt: skip


def _folder(place: Path | None = None) -> tempfile.TemporaryDirectory[str]:
    there = place is not None and place.is_dir()
    return tempfile.TemporaryDirectory(prefix="platelink-group-", dir=place if there else None)


def _counted(fleet: Fleet, parts_ms: tuple[int, int, int]) -> _Counted:
    """Nothing more is written; what was is sent, read back and compared."""
    begin_ms, alone_ms, end_ms = parts_ms
    fleet.stop_writing()
    units = [*fleet.away, *fleet.units]
    told = [
        told_by(
            journal_of(fleet.of_units, unit.name),
            values_from_ms=begin_ms if n % VALUES_OF == 0 else None,
            shared=len(fleet.recorders) > 1,
        )
        for n, unit in enumerate(units)
    ]
    counted = _Counted(sum(one.samples for one in told))
    of = {unit.name: one for unit, one in zip(units, told, strict=True)}
    counted.missing = _missing(fleet.readable, of, counted.samples)
    for unit, one in zip(fleet.units, told[len(fleet.away) :], strict=True):
        counted.alone_s += fleet.readable.lags_s(unit.name, one, begin_ms, alone_ms)
        counted.during_s += fleet.readable.lags_s(unit.name, one, alone_ms, end_ms)
        counted.entries += sum(begin_ms <= at_ms < alone_ms for at_ms in one.written_ms)
        counted.live_samples += sum(
            len(block.at_ms) for block in one.blocks if begin_ms <= block.written_ms < alone_ms
        )
    return counted


def _missing(readable: Readable, told: Mapping[str, Told], samples: int) -> Missing:
    """What is missing when all is there, or nothing more comes."""
    count, since = -1, time.monotonic()
    while count < samples and time.monotonic() - since < QUIET_S:
        readable.look()
        if (now := readable.count(list(told))) != count:
            count, since = now, time.monotonic()
        time.sleep(LOOK_S)
    readable.look()
    found = {unit: readable.missing(unit, one) for unit, one in told.items()}
    end = time.monotonic() + QUIET_S
    while (left := [u for u, one in found.items() if one.lost]) and time.monotonic() < end:
        time.sleep(LOOK_S)
        found |= {unit: readable.missing(unit, told[unit]) for unit in left}
    everything = Missing()
    for one in found.values():
        everything.add(one)
    return everything
