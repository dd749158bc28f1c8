"""A journal with plates, and bundles. All is invented."""

from __future__ import annotations

import functools
import shutil
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import JsonValue

from platelink.canonical import canonical
from platelink.evidence.bundle import bundle_of
from platelink.evidence.keys import Signer
from platelink.evidence.merkle import inclusion, leaf_hash, root_of
from platelink.evidence.note import Checkpoint, Proof, sign
from platelink.evidence.report import report_of
from platelink.evidence.seal import seal_of
from platelink.evidence.sources import JournalRecords
from platelink.evidence.told import REPORT
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import Channel, RunChannels, RunEvent, RunStart, SampleBlock

SIGNER = Signer.of_seed("platelink/invented-shop/invented-unit/0a1b2c3d", bytes(range(1, 33)))
SEALED = "2030-01-01T08:00:00.000Z"
UNIT, UUID = "invented-unit", "0123456789abcdef"


def _stamp(second: int) -> datetime:
    return datetime(2030, 1, 1, 7, tzinfo=UTC) + timedelta(seconds=second)


def _block(first: int, rows: int) -> SampleBlock:
    at = np.arange(first, first + rows, dtype=np.int64)
    dose = np.where(at % 7 == 3, np.nan, at * 0.618 / 3.0)
    return SampleBlock(
        ticks=50 * at + 50,
        at_utc_ms=1_893_481_200_000 + 50 * at,
        raw={"light_sum_0": (at * 40_001).astype(np.uint64)},
        values={"dose_mj_cm2": dose, "vacuum_kpa": 60.0 + np.sin(at)},
    )


class _Writer:
    def __init__(self, journal: Journal, unit: str) -> None:
        self.journal, self._unit, self._second = journal, unit, 0

    def _common(self, run_id: str | None) -> dict[str, Any]:
        self._second += 3
        return {
            "id": self.journal.next_id(), "run_id": run_id, "unit": self._unit,
            "at_utc": _stamp(self._second),
        }  # fmt: skip

    def event(self, run_id: str | None, name: str, **data: JsonValue) -> None:
        self.journal.append(RunEvent(**self._common(run_id), name=name, text="invented", data=data))

    def start(self, run_id: str, step: str, plate: str, kind: str) -> None:
        self.journal.append(RunStart(
            **self._common(run_id), step=step, plate=plate, operator="example-operator",
            request={"kind": kind}, conditions={"config": {"invented": [1, 2.5, None, True]}},
        ))  # fmt: skip

    def end(self, run_id: str) -> None:
        self.journal.end_run(run_id, self._common(run_id)["at_utc"], "complete", "invented")

    def part(self, run_id: str, step: str, plate: str, blocks: int, rows: int) -> None:
        self.start(run_id, step, plate, "bake" if step == "dry" else "expose")
        names = ("dose_mj_cm2", "vacuum_kpa")
        channels = tuple(Channel(name=name, unit="1") for name in names)
        self.journal.append(RunChannels(**self._common(run_id), channels=channels))
        for index in range(blocks):
            block = _block(index * rows, rows)
            self.journal.append_samples(run_id, block, self._common(run_id)["at_utc"])
            self.event(run_id, "armed" if index else "contact held", order=index)
        self.end(run_id)


def write_plates(
    path: Path, *names: str, blocks: int = 3, rows: int = 20, unit: str = UNIT, uuid: str = UUID
) -> None:
    """A journal with plates of three parts, begun one after the other and ended likewise."""
    with Journal.open(path, unit=unit, new_uuid=uuid, ballast_bytes=4096) as journal:
        writer = _Writer(journal, unit)
        writer.event(None, "link up", firmware="0.0.0")
        for name in names:
            writer.start(name, "plate", name, "plate")
            writer.event(name, "step", to="running")
        for name in names:
            for step in ("film", "screen", "dry"):
                writer.part(f"{name}.{step}", step, name, blocks, rows)
            writer.event(name, "in band", oven_c=57.25)
            writer.event(None, "alarm", word="invented")
            writer.end(name)


@functools.cache
def _template() -> Path:
    path = Path(tempfile.mkdtemp(prefix="platelink-evidence-")) / "journal.sqlite"
    write_plates(path, "plate-1", "plate-2")
    return path


def journal_of_two(path: Path) -> Path:
    """A copy of a journal with ``plate-1`` and ``plate-2``."""
    shutil.copy(_template(), path)
    return path


def bundle(files: dict[str, bytes], place: int, size: int) -> dict[str, bytes]:
    """These files as a bundle, sealed at a place of a log of so many leaves."""
    seal = seal_of("plate", "plate-1", files, sealed_utc=SEALED, unit=UNIT)
    nodes = [leaf_hash(bytes([i])) for i in range(size)]
    nodes[place] = seal.leaf
    head = Checkpoint(SIGNER.name, size, root_of(nodes))
    proof = Proof(place, tuple(inclusion(nodes, place)), sign(head.text, SIGNER))
    told = {REPORT: report_of(files["data/record.json"])}
    return bundle_of(files, seal, proof, SIGNER.verifier, told=told)


@functools.cache
def small_bundle() -> dict[str, bytes]:
    """Of a record of a few lines."""
    at_utc = "2030-01-01T07:00:00.000Z"
    start = {"run_id": "plate-1", "at_utc": at_utc, "operator": "invented-operator"}
    run = {"start": start, "end": {"at_utc": at_utc, "state": "complete"}, "events": []}
    record = {"format": 1, "kind": "plate", "name": "plate-1", "unit": UNIT, "runs": [run]}
    table = b"ticks,at_utc_ms,dose_mj_cm2\n50,1893456000050,0.25\n100,1893456000100,\n"
    files = {"data/record.json": canonical(record), "data/samples/01-film.csv": table}
    return bundle(files, 3, 7)


@functools.cache
def large_bundle() -> dict[str, bytes]:
    """Of a whole plate."""
    path = Path(tempfile.mkdtemp(prefix="platelink-evidence-")) / "journal.sqlite"
    write_plates(path, "plate-1", blocks=30, rows=200)
    with JournalReader.open(path) as reader:
        return bundle(JournalRecords(reader).record("plate", "plate-1").files, 0, 1)
