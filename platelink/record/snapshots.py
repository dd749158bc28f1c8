"""Kept state: what a program needs to go on after a crash. No part of the record. Pure.

It is overwritten as work goes on, never published, never exported, and proves nothing: what
happened is told by the entries alone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from pydantic import JsonValue

from platelink.record.errors import JournalRefused


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A value and when it was given."""

    at_utc: datetime
    value: JsonValue


def to_text(name: str, value: JsonValue | None) -> str | None:
    """The value as JSON, None for none; JournalRefused when it cannot be written as JSON."""
    if value is None:
        return None
    try:
        return json.dumps(value, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise JournalRefused(f"state {name!r} cannot be kept: {error}") from error
