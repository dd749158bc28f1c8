"""The plate that every unit of a simulated group makes again and again, and when.

It is made once on a simulated unit, in simulated time, and its journal kept. Units write the same
entries under their own names and times, each at another place of it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from platelink.contract.unit import JournalNow
from platelink.daemon.journaling import Journaling
from platelink.ledger.by import to_ms
from platelink.publish.lines import RunTags, points_of
from platelink.publish.topics import Address
from platelink.record.chunk import part_of
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.writer import JournalWriter
from platelink.runs import AnyEntry, RunEnd, RunSamples, RunStart, SampleBlock
from platelink.simulated.plates import Operator, example, plan, unit_for_plates
from platelink.unit.plate_view import status_now
from platelink.unit.view import summary

CYCLE_MS: Final = 1_280_000
"""From the begin of one plate to that of the next: half a minute of rest, a quarter of it light."""
A_DAY: Final = 22
"""Plates of a day of eight hours."""
A_WEEK: Final = 5 * A_DAY
BALLAST_BYTES: Final = 64 << 10
_DAY_MS: Final = 86_400_000
_DETAIL_S: Final = 1.0
_PLATE, _JOURNAL, _DETAILS = "p", "pattern.sqlite", "pattern.json"
_MOST: Final = 100_000


@dataclass(frozen=True, slots=True)
class Piece:
    """An entry of the plate."""

    at_ms: int
    """After the plate's begin."""
    entry: AnyEntry
    block: SampleBlock | None
    """Its samples as the journal has them."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """All that a unit says while it makes a plate."""

    begun_ms: int
    pieces: tuple[Piece, ...]
    details: tuple[dict[str, Any], ...]
    """What its retained status shows, one for each second."""

    @property
    def lit_share(self) -> float:
        """Of a unit's time, how much is light."""
        ends = (piece.entry for piece in self.pieces if isinstance(piece.entry, RunEnd))
        return 1000.0 * sum(end.light_s or 0.0 for end in ends) / CYCLE_MS

    @property
    def samples(self) -> int:
        """Of one plate."""
        return sum(len(piece.block) for piece in self.pieces if piece.block is not None)

    def detail(self, first_ms: int, at_ms: int) -> dict[str, Any]:
        """Of a unit whose first plate began then, at a time."""
        since_ms = (at_ms - first_ms) % CYCLE_MS
        found = self.details[min(int(since_ms / 1000.0 / _DETAIL_S), len(self.details) - 1)]
        run = found["run_id"]
        return found | {"run_id": run and _named(at_ms - since_ms, run)}

    def due(self, first_ms: int) -> Iterator[tuple[int, int, Piece]]:
        """What a unit is to write whose first plate begins then: when, in the plate begun when, and
        what. Without end."""
        begun_ms = first_ms
        while True:
            for piece in self.pieces:
                yield begun_ms + piece.at_ms, begun_ms, piece
            begun_ms += CYCLE_MS

    def told_by(self, first_ms: int, at_ms: int, before: int) -> tuple[int, int]:
        """Entries and samples of such a unit until a time, ``before`` plates among them."""
        entries, samples = before * len(self.pieces), before * self.samples
        for due_ms, _, piece in self.due(first_ms):
            if due_ms > at_ms:
                return entries, samples
            entries += 1
            samples += len(piece.block) if piece.block is not None else 0
        raise AssertionError("it has an end")

    def one_of_each(self, site: str, unit: str, at_ms: int) -> list[str]:
        """A point of each series of the samples, as a recorder writes it."""
        starts = {
            piece.entry.run_id: piece.entry
            for piece in self.pieces
            if isinstance(piece.entry, RunStart)
        }
        found: dict[str, str] = {}
        for entry in (piece.entry for piece in self.pieces):
            if isinstance(entry, RunSamples) and entry.run_id not in found:
                start = starts[entry.run_id]
                address = Address(site, unit, entry.run_id, entry.kind)
                points = points_of(entry, address, RunTags(start.step, start.slot), order=1)
                assert points is not None
                found[entry.run_id] = points.lines([at_ms] * len(points.fields))[0]
        return list(found.values())

    def append(self, journal: Journal, piece: Piece, begun_ms: int) -> None:
        """Write an entry of the plate begun then."""
        entry, shift_ms = piece.entry, begun_ms - self.begun_ms
        at_utc = entry.at_utc + timedelta(milliseconds=shift_ms)
        run_id = entry.run_id and _named(begun_ms, entry.run_id)
        if isinstance(entry, RunSamples):
            assert piece.block is not None
            block = replace(piece.block, at_utc_ms=piece.block.at_utc_ms + shift_ms)
            journal.append_samples(str(run_id), block, at_utc)
            return
        changes: dict[str, object] = {
            "id": journal.next_id(), "unit": journal.reader.unit, "run_id": run_id,
            "at_utc": at_utc,
        }  # fmt: skip
        if isinstance(entry, RunStart) and entry.plate is not None:
            changes["plate"] = _named(begun_ms, entry.plate)
        journal.append(entry.model_copy(update=changes))


def begins_before(first_ms: int, plates: int) -> list[int]:
    """When so many plates were begun before that one, in days of eight hours; oldest first."""
    days = (divmod(n, A_DAY) for n in range(plates))
    return [first_ms - day * _DAY_MS - (n + 1) * CYCLE_MS for day, n in days][::-1]


def record(directory: Path) -> None:
    """Make the plate and keep what was said."""
    simulation = unit_for_plates()
    simulation.outputs.clear()
    begun_ms, details = simulation.stamp.utc_ms, []
    simulation.make_plate(plan(_PLATE, example()))
    operator = Operator(simulation)
    while simulation.core.plates.in_flight.plates:
        operator.look()
        journal_now = JournalNow(pending=0, fault="")
        now = status_now(simulation.core, _PLATE, journal=journal_now, at=simulation.stamp)
        details.append(summary(now))
        simulation.run(lambda: False, _DETAIL_S)
    with Journal.open(
        directory / _JOURNAL, unit=_PLATE, new_uuid=_PLATE, ballast_bytes=BALLAST_BYTES
    ) as journal:
        Journaling(JournalWriter(journal), _PLATE).write(simulation.outputs, now=0.0)
    told = {"begun_ms": begun_ms, "details": details}
    (directory / _DETAILS).write_text(json.dumps(told), "utf-8")


def load(directory: Path) -> Pattern:
    """What ``record`` has kept."""
    told = json.loads((directory / _DETAILS).read_text("utf-8"))
    begun_ms: int = told["begun_ms"]
    pieces: list[Piece] = []
    runs: dict[str, SampleBlock] = {}
    with JournalReader.open(directory / _JOURNAL) as reader:
        for row in reader.outbox_after(0, _MOST):
            entry, block = row.entry, None
            if isinstance(entry, RunSamples):
                if entry.run_id not in runs:
                    runs[entry.run_id] = reader.samples(entry.run_id)
                block = part_of(runs[entry.run_id], entry.first_sample, len(entry.ticks))
            pieces.append(Piece(to_ms(entry.at_utc) - begun_ms, entry, block))
    return Pattern(begun_ms, tuple(pieces), tuple(told["details"]))


def _named(begun_ms: int, run_id: str) -> str:
    return f"{begun_ms // 1000}-{run_id}"
