"""Single values of a request, read or refused."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from typing import Any

MAX_TEXT = 200
"""Characters of a name or a note."""


def flag(asked: dict[str, Any], name: str, *, otherwise: bool) -> bool:
    """True or false of a request; ValueError for anything else."""
    value = asked.get(name, otherwise)
    if not isinstance(value, bool):
        raise ValueError(f"{name}: give true or false, not {value!r:.40}")
    return value


def text_of(asked: dict[str, Any], name: str) -> str:
    """A text of a request; ValueError for what cannot be one."""
    value = asked[name]
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError(f"{name}: give a text, not {value!r:.40}")
    text = str(value)
    if len(text) > MAX_TEXT:
        raise ValueError(f"{name}: {len(text)} characters, at most {MAX_TEXT} are kept")
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ValueError(f"{name}: holds what UTF-8 cannot; type it again") from None
    return text


def new_run_id() -> str:
    """Sorts by time, reads aloud, and is not met twice."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
