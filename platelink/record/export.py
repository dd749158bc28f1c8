"""A run as CSV and as JSON, for spreadsheets and other programs. Pure.

CSV (RFC 4180) holds the samples: one header line with the unit of each column in brackets, times
in UTC, an empty field for a missing value. JSON holds everything that was recorded of the run.
Numbers are written so that reading them gives the same 64-bit value again.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Sequence
from io import StringIO
from typing import Any

from platelink.contract.runs import Run
from platelink.ledger.by import from_ms
from platelink.record.stored import RunRecord
from platelink.runs import FORMAT, RunEvent, SampleBlock


def run_to_csv(run: RunRecord, samples: SampleBlock) -> str:
    """The samples of a run as CSV text."""
    units = {c.name: c.unit for c in run.channels.channels} if run.channels else {}
    values = {name: column.tolist() for name, column in samples.values.items()}
    raw = {name: column.tolist() for name, column in samples.raw.items()}
    out = StringIO(newline="")
    writer = csv.writer(out)  # its default dialect ends lines with CR LF and quotes as RFC 4180
    header = [_with_unit(name, units.get(name)) for name in values]
    writer.writerow(["at_utc", "ticks", *header, *(_with_unit(name, "1") for name in raw)])
    for i, (ms, tick) in enumerate(
        zip(samples.at_utc_ms.tolist(), samples.ticks.tolist(), strict=True)
    ):
        row = [_field(column[i]) for column in values.values()]
        writer.writerow([_iso(ms), tick, *row, *(column[i] for column in raw.values())])
    return out.getvalue()


def run_to_json(
    run: RunRecord, events: Sequence[RunEvent], samples: SampleBlock, *, indent: int | None = None
) -> str:
    """``run_document`` as text."""
    return _text(run_document(run, events, samples), indent)


def run_document(
    run: RunRecord, events: Sequence[RunEvent], samples: SampleBlock
) -> dict[str, Any]:
    """Start, channels, events, samples as columns, and end; ``null`` for a missing value. ``after``
    is what people noted and corrected after the end."""
    return {
        "format": FORMAT,
        "start": run.start.model_dump(mode="json"),
        "channels": run.channels.model_dump(mode="json") if run.channels else None,
        "events": [event.model_dump(mode="json") for event in events],
        "samples": {
            "ticks": samples.ticks.tolist(),
            "at_utc_ms": samples.at_utc_ms.tolist(),
            "raw": {name: column.tolist() for name, column in samples.raw.items()},
            "values": {
                name: [x if math.isfinite(x) else None for x in column.tolist()]
                for name, column in samples.values.items()
            },
        },
        "end": run.end.model_dump(mode="json") if run.end else None,
        "after": [event.model_dump(mode="json") for event in run.after],
    }


def plate_to_json(
    plate: dict[str, Any], parts: Sequence[dict[str, Any]], *, indent: int | None = None
) -> str:
    """A plate's document with those of its exposures and bakes as ``parts``."""
    return _text({**plate, "parts": list(parts)}, indent)


def _text(document: object, indent: int | None) -> str:
    return json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)


_LISTED = (
    "run_id", "unit", "kind", "step", "plate", "job", "recipe", "lot", "state", "judgement",
    "begun_utc", "ended_utc", "took_s", "operator", "target_dose_mj_cm2", "dose_mj_cm2",
    "difference_pct", "plate_to_plate_pct", "against_meter_pct", "light_s",
)  # fmt: skip
"""Columns of a list: what stands there is what counts, as it was corrected if it was."""


def runs_to_csv(runs: Sequence[Run]) -> str:
    """Runs as CSV text, a line each; the last columns say what was corrected and noted."""
    out = StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([*_LISTED, "screens", "alarms", "corrections", "notes"])
    for run in runs:
        cells = ["" if (value := getattr(run, name)) is None else value for name in _LISTED]
        corrected = (
            f"{one.field}: {one.now}, recorded {one.was}; {one.who}, {one.at_utc}: {one.why}"
            for one in run.corrections
        )
        notes = (f"{one.who}, {one.at_utc}: {one.text}" for one in run.notes)
        lists = ("; ".join(run.screens), "; ".join(run.alarms), " | ".join(corrected))
        writer.writerow([_plain(cell) for cell in (*cells, *lists, " | ".join(notes))])
    return out.getvalue()


def runs_to_json(runs: Sequence[Run]) -> str:
    """Runs as JSON text."""
    return _text({"runs": [run.model_dump(mode="json") for run in runs]}, 1) + "\n"


def _plain(cell: object) -> object:
    """A text that a spreadsheet would take for a formula, as a text."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in tuple("=+-@\t\r") else cell


def _with_unit(name: str, unit: str | None) -> str:
    return name if unit in (None, "", "1") else f"{name} [{unit}]"


def _field(value: float) -> str:
    return repr(value) if math.isfinite(value) else ""


def _iso(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")
