"""What is sealed of a journal and of the stores beside it, as files. Pure.

Everything is taken as it is stored, column by column, and not through the models of a release: what
a later one would read into it must not change its sum. Samples are logical: one table a run,
however many blocks they lie in.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from platelink.canonical import canonical
from platelink.evidence.seal import FORMAT, RECORD
from platelink.ledger.by import from_ms
from platelink.runs import EXACT, SampleBlock

_ROWS = 500
"""Lines of a table made at a time: whoever else waits for Python has its turn between them."""
_STEP = re.compile(r"[^A-Za-z0-9._-]")


class Row(NamedTuple):
    """A row of the journal that holds no samples."""

    number: int
    kind: str
    run_id: str | None
    at_ms: int
    body: str


def utc_text(moment: datetime) -> str:
    """A time as all sealed files have it."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"


def entry_of(row: Row, uuid: str) -> dict[str, Any]:
    """An entry as it is stored, with its id: that holds its number and its journal."""
    told: dict[str, Any] = json.loads(row.body)
    return told | {
        "id": f"{uuid}-{row.number}", "kind": row.kind, "run_id": row.run_id,
        "at_utc": utc_text(from_ms(row.at_ms)),
    }  # fmt: skip


def record_file(kind: str, unit: str, told: dict[str, Any]) -> dict[str, bytes]:
    """The one file of a record without samples."""
    return {RECORD: canonical(plain({"format": FORMAT, "kind": kind, "unit": unit, **told}))}


def run_of(rows: Sequence[Row], uuid: str, table: str | None, samples: int) -> dict[str, Any]:
    """A run without its samples: where their table is, and how many they are."""
    entries = [entry_of(row, uuid) for row in rows]
    by_kind: dict[str, list[dict[str, Any]]] = {}
    for entry in entries:
        by_kind.setdefault(entry["kind"], []).append(entry)
    return {
        "start": by_kind["start"][0],
        "channels": by_kind.get("channels", [None])[0],
        "events": by_kind.get("event", []),
        "end": by_kind["end"][0],
        "samples": None if table is None else {"file": table, "rows": samples},
    }


def table_name(place: int, step: str) -> str:
    """Path of the samples of a record's run: numbered, so that no two are alike."""
    return f"data/samples/{place:02d}-{_STEP.sub('_', step)[:40]}.csv"


def table_of(block: SampleBlock) -> Iterator[bytes]:
    """Samples as CSV (RFC 4180, but for its line breaks), part by part: whole numbers in full,
    others by the fewest digits that read back to the same number, nothing where there was none."""
    raw, values = block.raw, block.values
    yield (",".join(["ticks", "at_utc_ms", *raw, *values]) + "\n").encode()
    for begin in range(0, len(block), _ROWS):
        part = slice(begin, begin + _ROWS)
        whole = (block.ticks, block.at_utc_ms, *raw.values())
        columns = [list(map(str, column[part].tolist())) for column in whole]
        columns += [list(map(_number, column[part].tolist())) for column in values.values()]
        yield "".join(f"{','.join(line)}\n" for line in zip(*columns, strict=True)).encode()


def _number(value: float) -> str:
    return "" if math.isnan(value) else repr(value)


def plain(value: Any) -> Any:
    """The same, without what has no exact form in JSON: such a number, and half a character, are
    told as text."""
    match value:
        case str():
            return value.encode("utf-8", "backslashreplace").decode()
        case dict():
            return {plain(str(name)): plain(inner) for name, inner in value.items()}
        case list() | tuple():
            return [plain(inner) for inner in value]
        case int() | float() if not (math.isfinite(value) and _exact(value)):
            return str(value)
    return value


def _exact(value: float) -> bool:
    return isinstance(value, float) or abs(value) <= EXACT
