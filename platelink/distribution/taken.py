"""What a unit took of the shop, and what it refused: a small file beside its journal.

Who writes holds the lock beside it: the daemon, and ``platelink shop take``. It is replaced as a
whole, and durable before anybody is told.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from platelink.distribution.wrong import NotTaken
from platelink.ledger.private import opener

MOST_NOTES: Final = 200
"""That wait to be put on record; more would be a fault of whoever does."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class TakenNow(_Part):
    """The newest revision of a kind that was taken."""

    revision: int = Field(ge=1)
    sha256: str
    key: str
    at_utc: AwareDatetime
    changed: int = Field(ge=0)
    """How much of it was not so before."""


class RefusedNow(_Part):
    """What came last from a place, and was not taken."""

    text: str
    """Empty once something of that place is taken."""
    since_utc: AwareDatetime
    noted_utc: AwareDatetime


class Note(_Part):
    """One line for the unit's record."""

    number: int
    at_utc: AwareDatetime
    kind: str | None
    revision: int | None
    key: str | None
    taken: bool
    text: str


class State(_Part):
    """All of the file."""

    format: Literal[1] = 1
    taken: dict[str, TakenNow] = {}
    seen: dict[str, str] = {}
    """Hash of the newest taken for the site, and for this unit: ``recipes``, ``recipes/unit-1``."""
    refused: dict[str, RefusedNow] = {}
    notes: Annotated[tuple[Note, ...], Field(max_length=MOST_NOTES)] = ()
    """Not yet on record."""
    noted: int = 0
    """How many there ever were."""

    def with_note(
        self, text: str, at_utc: datetime, *, taken: bool, kind: str | None = None,
        revision: int | None = None, key: str | None = None,
    ) -> State:  # fmt: skip
        """One more line for the record."""
        note = Note(
            number=self.noted + 1, at_utc=at_utc, kind=kind, revision=revision, key=key,
            taken=taken, text=text,
        )  # fmt: skip
        notes = (*self.notes, note)[-MOST_NOTES:]
        return self.model_copy(update={"notes": notes, "noted": note.number})

    def refusals(self) -> tuple[str, ...]:
        """What is refused at present, as sentences."""
        return tuple(one.text for one in self.refused.values() if one.text)


def taken_path(journal: Path) -> Path:
    """The file of the unit with this journal."""
    return journal.with_suffix(".shop")


class TakenFile:
    """See the file's first lines."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def load(self) -> State:
        """The state; that of a unit that never took anything where there is no file. ``NotTaken``
        where it cannot be read: an old revision could not be told from a new one."""
        try:
            return State.model_validate_json(self.path.read_bytes())
        except FileNotFoundError:
            return State()
        except (OSError, ValidationError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is damaged"
            raise NotTaken(
                f"{self.path} cannot be read ({why}): nothing of the shop is taken, for an old "
                "revision could not be distinguished from a new one. Restore it from a backup; or "
                "move it away, and the next revision that comes is taken whatever its number"
            ) from None

    def save(self, state: State) -> None:
        """Durable when it returns. ``OSError`` where it cannot be written."""
        new = self.path.with_name(self.path.name + ".new")
        text = json.dumps(state.model_dump(mode="json"), ensure_ascii=False)
        with open(new, "w", encoding="utf-8", opener=opener) as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(self.path)
        with suppress(OSError):  # some file systems cannot flush a directory
            handle = os.open(self.path.parent, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    @contextmanager
    def locked(self) -> Iterator[None]:
        """One process at a time takes; it is short. ``OSError`` where there is no directory."""
        lock = self.path.with_name(self.path.name + ".lock")
        handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)
