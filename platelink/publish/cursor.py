"""The publisher's cursor in a small file of its own, replaced atomically and flushed to disk.

A cursor that lags only means that some entries are sent twice with the same id, so the file may
be written less often than the cursor moves. It remembers the id of the entry it stands at:
another journal under the same cursor is noticed, and then everything is sent from the start.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from platelink.ledger.private import handed

FORMAT = 1


@dataclass(frozen=True, slots=True)
class CursorState:
    number: int = 0
    """Last entry that the broker has surely kept, with all before it."""
    entry_id: str = ""
    """Its id."""
    session: int = 0
    """Last used session number of the status message."""


class CursorFile:
    """Load and save a CursorState. OSError when the directory cannot be written."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notice = ""
        """What was wrong with the file at the last load; empty if nothing."""

    def load(self) -> CursorState:
        """The saved state; a missing or unreadable file is the start (nothing is lost by it)."""
        self.notice = ""
        try:
            data = json.loads(self.path.read_text("utf-8"))
            state = CursorState(int(data["number"]), str(data["entry_id"]), int(data["session"]))
            if data["format"] != FORMAT or state.number < 0 or state.session < 0:
                raise ValueError(f"format {data['format']}, number {state.number}")
        except FileNotFoundError:
            return CursorState()
        except (ValueError, KeyError, TypeError) as fault:
            self.notice = (
                f"cursor file {self.path} is not readable ({fault!r}): all entries are sent "
                "again from the first; receivers skip what they have"
            )
            return CursorState()
        return state

    def save(self, state: CursorState) -> None:
        """Durable when it returns."""
        new = self.path.with_name(self.path.name + ".new")
        text = json.dumps({"format": FORMAT, **asdict(state)})
        with open(new, "w", encoding="utf-8", opener=handed) as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(self.path)
        with suppress(OSError):  # some file systems cannot flush a directory
            self._flush_directory()

    def _flush_directory(self) -> None:
        handle = os.open(self.path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
