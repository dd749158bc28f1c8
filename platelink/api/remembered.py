"""What the journal remembers of people, and the computer's clock: for the service's processes."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from platelink.events.event import EventName
from platelink.ledger.database import Database
from platelink.record.errors import JournalError, JournalMissing
from platelink.record.schema import JOURNAL


def now_utc() -> datetime:
    """This computer's clock."""
    return datetime.now(UTC)


def people_remembered(path: Path) -> bool:
    """True where the journal knows that people were entered, or cannot be asked.

    Asked of the file itself: a reader of journals brings numpy, and the lane needs none."""
    entered = "kind = 'event' AND json_extract(body, '$.name') = ?"
    try:
        with closing(Database(path, JOURNAL, read_only=True)) as journal:
            if not journal.rows("SELECT 1 FROM journal"):
                return True  # it does not say whose it is
            return bool(
                journal.rows(
                    f"SELECT 1 FROM entries WHERE run_id IS NULL AND {entered} LIMIT 1",  # noqa: S608
                    (str(EventName.PEOPLE_ENTERED),),
                )
            )
    except JournalMissing:
        return False
    except JournalError:
        return True
