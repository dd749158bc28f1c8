"""A sealed record as a text to read. Pure.

Nobody signs it: it is made of the record, and can be made again.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from typing import Any

from platelink import __version__

_WIDTH = 96


def report_of(record: bytes) -> bytes:
    """The report of ``data/record.json``."""
    told = json.loads(record)
    return ("\n".join(line.rstrip() for line in _lines(told)) + "\n").encode()


def written_by(report: bytes) -> bytes:
    """The release that wrote a report."""
    return report.partition(b"\n")[0]


def _lines(told: dict[str, Any]) -> Iterator[str]:
    yield f"platelink {__version__}"
    yield f"{told['kind']} {told.get('name', '')}, unit {told['unit']}"
    yield "What counts is data/record.json; this is the same to read. Times are UTC."
    for run in told.get("runs", []):
        yield from _run(run)
    for name in ("events", "entries"):
        for entry in told.get(name, []):
            yield ""
            yield from _facts(entry, "")


def _run(run: dict[str, Any]) -> Iterator[str]:
    start, end = run["start"], run["end"]
    yield ""
    yield f"== {start.get('step', '')}: run {start['run_id']}"
    yield from _fact("begun", start["at_utc"])
    yield from _fact("ended", f"{end['at_utc']}, {end.get('state', '')}: {end.get('reason', '')}")
    for name in ("operator", "plate", "job", "note", "target_dose_mj_cm2"):
        yield from _fact(name, start.get(name))
    for name in ("dose_mj_cm2", "device_dose_mj_cm2", "light_s", "samples", "events", "gaps"):
        yield from _fact(name, end.get(name))
    for name in ("request", "conditions"):
        yield from _facts(start.get(name) or {}, name)
    yield from _facts(end.get("data") or {}, "end")
    for event in run["events"]:
        yield from _fact(f"{event['at_utc'][11:23]} {event.get('name', '')}", event.get("text", ""))


def _facts(told: dict[str, Any], above: str) -> Iterator[str]:
    for name, value in told.items():
        label = f"{above}.{name}" if above else name
        if isinstance(value, dict):
            yield from _facts(value, label)
        else:
            yield from _fact(label, value)


def _fact(name: str, value: object) -> Iterator[str]:
    if value is None:
        return
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    head = f"  {name:<28} "
    shown = "".join(c if c.isprintable() else " " for c in text)
    yield textwrap.fill(
        shown, _WIDTH, initial_indent=head, subsequent_indent=" " * 31, break_long_words=False
    )
