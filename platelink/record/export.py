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
    """Start, channels, events, samples as columns, and end; ``null`` for a missing value."""
    document: dict[str, Any] = {
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
    }
    return json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)


def _with_unit(name: str, unit: str | None) -> str:
    return name if unit in (None, "", "1") else f"{name} [{unit}]"


def _field(value: float) -> str:
    return repr(value) if math.isfinite(value) else ""


def _iso(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")
