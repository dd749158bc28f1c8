"""What a store gives back of a group, beside what the units' journals say.

How late an entry can be read is seen by asking the store, again and again, for the newest sample
of every series: an entry is readable at the first look that finds its last sample, or a later one.
"""

from __future__ import annotations

import json
import math
import time
import urllib.parse
import urllib.request
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from platelink.ledger.by import to_ms
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent, RunSamples, RunStart

WINDOW: Final = "10m"
"""How far a look goes back."""
EVER: Final = "30d"
_PAGE = 5_000
_COUNTED: Final = {"start": "run_start_count", "event": "event_count", "end": "run_end_samples"}
_SAME: Final = 1e-9
"""The store keeps 12 to 13 decimal digits (docs/publishing.md), of the largest of a block."""

Series = tuple[str, str]
"""Step and slot."""
Times = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Block:
    """An entry of samples."""

    written_ms: int
    """Its own time."""
    series: Series
    first: int
    """Index of its first sample."""
    at_ms: Times
    values: dict[str, tuple[float | None, ...]]
    """Empty where they are not to be compared."""


@dataclass(slots=True)
class Told:
    """What a journal says."""

    written_ms: list[int] = field(default_factory=list)
    """Of every entry."""
    blocks: list[Block] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    """Starts, events and ends."""

    @property
    def samples(self) -> int:
        """Of all blocks."""
        return sum(len(block.at_ms) for block in self.blocks)


@dataclass(slots=True)
class Missing:
    """What the store does not give back as it was told."""

    samples: int = 0
    others: int = 0
    twice: int = 0
    """Points that it gives back more than once."""
    values: int = 0
    """Looked at."""
    wrong: int = 0

    def add(self, other: Missing) -> None:
        """Of another unit."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))

    @property
    def lost(self) -> int:
        """Samples and other entries that are missing, and values that are others."""
        return self.samples + self.others + self.wrong


def told_by(journal: Path, *, values_from_ms: int | None = None, shared: bool = False) -> Told:
    """All that a unit has written; with the values of blocks since a time. Where recorders have
    ``shared`` it, events of one name and step and the same millisecond count once: they may have
    come to different ones (docs/publishing.md)."""
    told, series, number = Told(), dict[str, Series](), 0
    seen: set[tuple[str, Series, int]] = set()
    with JournalReader.open(journal) as reader:
        while rows := reader.outbox_after(number, _PAGE):
            number = rows[-1].number
            for entry in (row.entry for row in rows):
                told.written_ms.append(to_ms(entry.at_utc))
                if isinstance(entry, RunSamples):
                    kept = values_from_ms is not None and entry.at_utc_ms[0] >= values_from_ms
                    told.blocks.append(
                        Block(
                            told.written_ms[-1], series[entry.run_id], entry.first_sample,
                            np.array(entry.at_utc_ms, np.int64), entry.values if kept else {},
                        )
                    )  # fmt: skip
                    continue
                if isinstance(entry, RunStart):
                    series[entry.run_id] = entry.step, str(entry.slot)
                if isinstance(entry, RunEvent) and shared:
                    of = series[entry.run_id] if entry.run_id else ("", "")
                    if (event := (entry.name, of, told.written_ms[-1])) in seen:
                        continue
                    seen.add(event)
                if entry.kind in _COUNTED:
                    told.others[entry.kind] += 1
    return told


class Readable:
    """A store, as whoever reads it sees it."""

    def __init__(self, url: str, site: str) -> None:
        self._url, self._site = url, site
        self._looks: dict[tuple[str, Series], tuple[list[int], list[int]]] = {}
        self.looked_ms = 0
        self.known = 0
        """Samples of each unit that none of them has told."""

    def look(self) -> None:
        """Which sample of each series is the newest now."""
        query = f'tlast_over_time(platelink_sample{{site="{self._site}"}}[{WINDOW}])'
        found = self._query(query)
        self.looked_ms = time.time_ns() // 1_000_000
        for one in found:
            metric = one["metric"]
            key = metric["unit"], _series(metric)
            newest, looked = self._looks.setdefault(key, ([], []))
            at_ms = round(1000.0 * float(one["value"][1]))
            if not newest or at_ms > newest[-1]:
                newest.append(at_ms)
                looked.append(self.looked_ms)

    def lags_s(self, unit: str, told: Told, begin_ms: int, end_ms: int) -> Iterator[float]:
        """Of each block that a unit wrote in this time, from its own time until a look found it.
        One that none has found counts until the last look."""
        for block in told.blocks:
            if begin_ms <= block.written_ms < end_ms:
                newest, looked = self._looks.get((unit, block.series), ([], []))
                at = bisect_left(newest, block.at_ms[-1])
                seen_ms = looked[at] if at < len(looked) else self.looked_ms
                yield (seen_ms - block.written_ms) / 1000.0

    def count(self, units: Sequence[str]) -> int:
        """Samples of these units."""
        which = "|".join(units)
        query = f'platelink_sample{{site="{self._site}",unit=~"{which}"}}[{EVER}]'
        found = self._query(f"sum(count_over_time({query}))")
        return int(found[0]["value"][1]) - self.known * len(units) if found else 0

    def missing(self, unit: str, told: Told) -> Missing:
        """Every sample by series, time and index, how many of the other entries there are, and the
        values that were kept of what was told."""
        found = Missing()
        names = "|".join(("sample", *_COUNTED.values()))
        points: dict[Series, list[tuple[Times, Numbers]]] = defaultdict(list)
        others: Counter[str] = Counter()
        for name, series, at_ms, values in self._export(unit, names):
            unique, first = np.unique(at_ms, return_index=True)
            found.twice += len(at_ms) - len(unique)
            if name == "sample":
                points[series].append((unique, values[first]))
            else:
                others[name] += len(unique)
        for kind, name in _COUNTED.items():
            found.others += max(0, told.others[kind] - others[name])
        blocks: dict[Series, list[Block]] = defaultdict(list)
        for block in told.blocks:
            blocks[block.series].append(block)
        found.samples = sum(_missing(of, points[series]) for series, of in blocks.items())
        self._compare_values(found, unit, [block for block in told.blocks if block.values])
        return found

    def _compare_values(self, found: Missing, unit: str, blocks: Sequence[Block]) -> None:
        if not blocks:
            return
        from_ms = min(int(block.at_ms[0]) for block in blocks)
        known: dict[tuple[str, Series, int], float] = {}
        for name, series, at_ms, values in self._export(unit, "[a-z0-9_]+", from_ms):
            for at, value in zip(at_ms.tolist(), values.tolist(), strict=True):
                known[name, series, at] = value
        for block in blocks:
            for name, column in block.values.items():
                for at, value in zip(block.at_ms.tolist(), column, strict=True):
                    if value is not None:
                        given = known.get((name, block.series, at), math.nan)
                        found.values += 1
                        found.wrong += not math.isclose(value, given, rel_tol=_SAME, abs_tol=_SAME)

    def _export(
        self, unit: str, names: str, from_ms: int = 0
    ) -> Iterator[tuple[str, Series, Times, Numbers]]:
        match = f'{{__name__=~"platelink_({names})",site="{self._site}",unit="{unit}"}}'
        asked = {"match[]": match, "start": f"{from_ms / 1000.0:.3f}"}
        for line in self._ask("/api/v1/export", asked).splitlines():
            one = json.loads(line)
            name = one["metric"]["__name__"].removeprefix("platelink_")
            at_ms, values = np.array(one["timestamps"], np.int64), np.array(one["values"], float)
            yield name, _series(one["metric"]), at_ms, values

    def _query(self, query: str) -> list[dict[str, Any]]:
        answer = json.loads(self._ask("/api/v1/query", {"query": query, "nocache": "1"}))
        found: list[dict[str, Any]] = answer["data"]["result"]
        return found

    def _ask(self, place: str, asked: dict[str, str]) -> bytes:
        data = urllib.parse.urlencode(asked).encode()
        with urllib.request.urlopen(self._url + place, data, timeout=60.0) as answer:  # noqa: S310
            content: bytes = answer.read()
        return content


def _series(metric: dict[str, str]) -> Series:
    return metric.get("step", ""), metric.get("slot", "None")


def _missing(blocks: Sequence[Block], points: Sequence[tuple[Times, Numbers]]) -> int:
    """Samples of a series that are not among its points with their time and index."""
    told_ms = np.concatenate([block.at_ms for block in blocks])
    told = np.concatenate([block.first + np.arange(len(block.at_ms)) for block in blocks])
    if not any(len(times) for times, _ in points):
        return len(told)
    at_ms = np.concatenate([times for times, _ in points])
    index = np.concatenate([values for _, values in points])
    order = np.argsort(at_ms, kind="stable")
    at_ms, index = at_ms[order], index[order]
    place = np.minimum(np.searchsorted(at_ms, told_ms), len(at_ms) - 1)
    return int(np.count_nonzero((at_ms[place] != told_ms) | (index[place] != told)))
