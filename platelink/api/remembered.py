"""What the journal remembers of people, and the computer's clock: for the service's processes."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from platelink.events.event import EventName
from platelink.record.errors import JournalError, JournalMissing
from platelink.record.reader import JournalReader


def now_utc() -> datetime:
    """This computer's clock."""
    return datetime.now(UTC)


def people_remembered(path: Path) -> bool:
    """True where the journal knows that people were entered, or cannot be asked."""
    try:
        with JournalReader.open(path) as reader:
            return reader.newest_unit_event(EventName.PEOPLE_ENTERED) is not None
    except JournalMissing:
        return False
    except JournalError:
        return True
