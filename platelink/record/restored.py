"""A journal that was restored from a backup goes on as another: with an id of its own."""

from __future__ import annotations

from contextlib import closing
from datetime import datetime
from pathlib import Path

from platelink.events.security import JournalBegunAnew
from platelink.ledger.database import Database
from platelink.record.journal import Journal
from platelink.record.schema import JOURNAL
from platelink.runs import RunEvent


def begin_again(path: Path, *, new_uuid: str, source: Path, at_utc: datetime) -> tuple[str, int]:
    """Give the journal another id, and tell where it is from. Since the backup its numbers were
    given to other entries: under the same id recorders would take what comes now for what they
    have. The new id, and how many entries there were."""
    with closing(Database(path, JOURNAL, read_only=False)) as database, database.transaction():
        ((before, unit),) = database.rows("SELECT uuid, unit FROM journal")
        ((sql,),) = database.rows(
            "SELECT sql FROM sqlite_master WHERE name = 'journal_no_update' AND type = 'trigger'"
        )
        database.execute("DROP TRIGGER journal_no_update")
        database.execute("UPDATE journal SET uuid = ?", (new_uuid,))
        database.execute(sql)
    with Journal.open(path, unit=unit, new_uuid=new_uuid, ballast_bytes=4096) as journal:
        entries = journal.reader.last_number()
        event = JournalBegunAnew(str(source), before, entries)
        journal.append(
            RunEvent(
                id=journal.next_id(), run_id=None, unit=unit, at_utc=at_utc, name=event.name,
                text=(
                    f"restored from the backup {source}, with {entries} entries; anything "
                    "recorded later is not in it"
                ),
                data=event.data(),
            )
        )  # fmt: skip
    for helper in (".ballast", ".lock"):
        path.with_name(path.name + helper).unlink(missing_ok=True)
    return new_uuid, entries
