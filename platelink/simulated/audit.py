"""What the journal says of the demonstration's plate, and whether the store holds the same."""

from __future__ import annotations

import json
import math
import time
import urllib.parse
import urllib.request
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.runs import RunSamples, RunStart
from platelink.simulated.demo_plate import PLATE

STORE_WAIT_S = 15.0
_Points = dict[tuple[str, str, int], float]
"""Values of one field, by step, slot and millisecond."""


@dataclass(frozen=True, slots=True)
class RunAudit:
    """One run of the plate: what was recorded, integrated again, and true."""

    run: str
    step: str
    state: str
    target_mj_cm2: float | None
    recorded_mj_cm2: float | None
    reintegrated_mj_cm2: float | None
    true_mj_cm2: float | None
    light_s: float | None
    in_band_s: float | None
    mean_c: float | None
    samples: int
    events: int
    ok: bool
    verdict: str


@dataclass(frozen=True, slots=True)
class StoreAudit:
    """Points of the dose: in the journal, in the store, and the same in both."""

    points: int
    in_store: int
    same: int


@dataclass(frozen=True, slots=True)
class Audit:
    """What came of the demonstration."""

    directory: Path
    plate: Mapping[str, Any]
    """State of the plate, whether its record is whole, and the data of its end."""
    runs: tuple[RunAudit, ...]
    store: StoreAudit | None
    left_out: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether all went as it should."""
        return bool(
            self.plate["ok"]
            and self.plate["judgement"] == "good"
            and all(run.ok and run.state == "complete" for run in self.runs)
            and (self.store is None or self.store.same == self.store.points)
        )

    def to_json(self) -> dict[str, Any]:
        """As ``platelink demo --json`` prints it."""
        found = asdict(self)
        del found["directory"]
        return found


def audit(
    directory: Path, true_mj_cm2: Mapping[str, float], store: str | None, left_out: tuple[str, ...]
) -> Audit:
    """Look at the journal in ``directory``, and at the store at a URL."""
    with JournalReader.open(directory / "journal.sqlite") as journal:
        runs = [run for run in reversed(journal.runs(plate=PLATE)) if run.end]
        plate = next(run for run in runs if run.start.run_id == PLATE)
        rows = tuple(_run(journal, run, true_mj_cm2) for run in runs if run is not plate)
        whole = journal.check(PLATE)
        points = _recorded(journal)
    assert whole is not None and plate.end is not None
    end = {"plate": PLATE, "state": plate.end.state, "ok": whole.ok, **plate.end.data}
    return Audit(
        directory, end, rows, _compared(points, store) if store is not None else None, left_out
    )


def _run(journal: JournalReader, run: RunRecord, true_mj_cm2: Mapping[str, float]) -> RunAudit:
    found = journal.check(run.start.run_id)
    assert found is not None and run.end is not None
    return RunAudit(
        run=run.start.run_id,
        step=run.start.step,
        state=run.end.state,
        target_mj_cm2=run.start.target_dose_mj_cm2,
        recorded_mj_cm2=run.end.dose_mj_cm2,
        reintegrated_mj_cm2=found.reintegrated_mj_cm2,
        true_mj_cm2=true_mj_cm2.get(run.start.step),
        light_s=run.end.light_s,
        in_band_s=_number(run.end.data.get("in_band_s")),
        mean_c=_number(run.end.data.get("mean_c")),
        samples=found.samples,
        events=found.events,
        ok=found.ok,
        verdict=found.verdict,
    )


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _recorded(journal: JournalReader) -> _Points:
    """Every point of the dose in the journal."""
    entries = [row.entry for row in journal.outbox_after(0, 1_000_000)]
    starts = {entry.run_id: entry for entry in entries if isinstance(entry, RunStart)}
    return {
        (starts[entry.run_id].step, str(starts[entry.run_id].slot), at_ms): dose
        for entry in entries
        if isinstance(entry, RunSamples) and "dose_mj_cm2" in entry.values
        for at_ms, dose in zip(entry.at_utc_ms, entry.values["dose_mj_cm2"], strict=True)
        if dose is not None
    }


def _compared(wanted: _Points, store: str) -> StoreAudit:
    """Points of the dose in journal and store, once the store shows them."""
    end = time.monotonic() + STORE_WAIT_S
    found: _Points = {}
    while time.monotonic() < end and len(found) < len(wanted):
        found = _exported(store, "dose_mj_cm2")
        time.sleep(0.2)
    # The store rounds to twelve digits, and a block of values has one exponent: the first tiny
    # doses beside large ones lose what no dose is measured to.
    same = sum(
        math.isclose(found[key], dose, rel_tol=5e-12, abs_tol=1e-9)
        for key, dose in wanted.items()
        if key in found
    )
    return StoreAudit(points=len(wanted), in_store=len(found), same=same)


def _exported(store: str, field: str) -> _Points:
    """Every point of one field in the store."""
    # The unit's time runs ahead of the clock: without an end the store stops at now.
    query = urllib.parse.urlencode({"match[]": f"platelink_{field}", "end": time.time() + 3600.0})
    with urllib.request.urlopen(f"{store}/api/v1/export?{query}") as answer:  # noqa: S310 -- our own child on loopback
        lines = [json.loads(line) for line in answer.read().splitlines()]
    return {
        (line["metric"]["step"], line["metric"]["slot"], at_ms): value
        for line in lines
        for at_ms, value in zip(line["timestamps"], line["values"], strict=True)
    }
