"""Up to where a journal was backed up last, in a small file beside it."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from platelink.ledger.private import opener

FORMAT = 1


@dataclass(frozen=True, slots=True)
class BackedUp:
    """The newest backup."""

    journal: str
    """Id of the journal, which a restored one has no more."""
    number: int
    """Its last entry in the backup."""
    made_utc: str
    target: str
    """Where it was written; nobody has looked since whether it is still there."""


def backed_up_path(journal: Path) -> Path:
    """The file."""
    return journal.with_suffix(".backed-up")


def note_backup(journal: Path, made: BackedUp) -> None:
    """Durable when it returns. OSError where it cannot be written."""
    path = backed_up_path(journal)
    new = path.with_name(path.name + ".new")
    with open(new, "w", encoding="utf-8", opener=opener) as file:
        file.write(json.dumps({"format": FORMAT, **asdict(made)}))
        file.flush()
        os.fsync(file.fileno())
        with suppress(OSError):  # made by root, it is read by the daemon
            owner = journal.stat()
            os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
    new.replace(path)


def last_backup(journal: Path) -> BackedUp | None:
    """None where there was none, or where the file is not what ``note_backup`` writes."""
    try:
        told = json.loads(backed_up_path(journal).read_text("utf-8"))
        if told.pop("format") != FORMAT:
            return None
        made = BackedUp(**told)
        dated = datetime.fromisoformat(made.made_utc).tzinfo is not None
        named = isinstance(made.journal, str) and isinstance(made.number, int)
        good = dated and named and made.number >= 0
        return made if good else None
    except (OSError, ValueError, TypeError, LookupError, AttributeError):
        return None
