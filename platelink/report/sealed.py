"""The files of a sealed record, read back into runs, events and curves. Pure.

They are read as a journal is, so that a report tells of a bundle what the page tells of a unit.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from platelink.contract.base import Json
from platelink.contract.runs import uncertain_in
from platelink.events.event import read
from platelink.events.unit import DoseCorrected
from platelink.record.stored import RunRecord
from platelink.runs import RunChannels, RunEnd, RunEvent, RunStart

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Curve:
    """Samples of a run: ``at_utc_ms`` and each column of values, of one length; NaN is missing."""

    at_utc_ms: Floats
    values: dict[str, Floats]


class SealedRecord:
    """A plate, or an exposure without one. ``beside`` are entries outside it that tell of it, as
    they are stored: alarms, notes, corrections."""

    def __init__(self, record: bytes, beside: Sequence[Json] = ()) -> None:
        """``ValueError`` and its like where a file is not of this release's form."""
        told = json.loads(record)
        self.kind, self.name, self.unit = told["kind"], str(told.get("name", "")), told["unit"]
        self._outside = [RunEvent.model_validate({**one, "unit": self.unit}) for one in beside]
        self._told: dict[str, Any] = {run["start"]["run_id"]: run for run in told.get("runs", [])}
        self._runs = {run_id: self._run(run) for run_id, run in self._told.items()}

    def _entry(self, told: Json | None) -> Json | None:
        return None if told is None else {**told, "unit": self.unit}

    def _run(self, run: dict[str, Any]) -> RunRecord:
        run_id, channels = run["start"]["run_id"], self._entry(run.get("channels"))
        end = RunEnd.model_validate(self._entry(run["end"]))
        of_it = [event for event in self._outside if event.data.get("of_run") == run_id]
        told = [one for event in of_it if (one := read(DoseCorrected, event.name, event.data))]
        return RunRecord(
            RunStart.model_validate(self._entry(run["start"])),
            None if channels is None else RunChannels.model_validate(channels),
            end,
            told[-1] if told and uncertain_in(end) else None,
            after=tuple(of_it),
        )

    @property
    def head(self) -> RunRecord:
        """The run of the plate, or of the exposure. ``KeyError``: it is no record of a run."""
        return self._runs[self.name]

    def events(self, run_id: str) -> list[RunEvent]:
        """Events of a run, in order."""
        told = self._told[run_id]["events"] if run_id in self._told else []
        return [RunEvent.model_validate(self._entry(event)) for event in told]

    def parts(self, plate: str) -> list[RunRecord]:
        """Exposures and bakes of the plate, oldest first."""
        return [run for run_id, run in self._runs.items() if run_id != plate]

    def unit_events(
        self, *, since: datetime | None = None, until: datetime | None = None, limit: int = 100
    ) -> list[RunEvent]:
        """What is told beside it, newest first."""
        found = [
            event for event in reversed(self._outside)
            if (since is None or since <= event.at_utc) and (until is None or event.at_utc < until)
        ]  # fmt: skip
        return found[:limit]

    def table_of(self, run_id: str) -> str | None:
        """Path of a run's samples; None where it has none."""
        samples = self._told[run_id].get("samples")
        return None if samples is None else str(samples["file"])


def read_table(data: bytes) -> Curve:
    """The curve of a table of samples."""
    lines = data.decode("ascii").splitlines()
    names = lines[0].split(",")
    cells = [line.split(",") for line in lines[1:]]
    columns = {
        name: np.array([float(row[at] or "nan") for row in cells], np.float64)
        for at, name in enumerate(names)
    }
    return Curve(columns["at_utc_ms"], columns)
