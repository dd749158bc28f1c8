"""What a recorder did not take, or its store refused, and why."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from platelink.doctor.findings import Finding, fault
from platelink.ledger.by import from_ms
from platelink.ledger.database import Database
from platelink.publish.recorder_schema import RECORDER, RecorderJournalError

REASONS = 3
"""So many, the newest first."""


def set_aside(path: Path) -> Iterator[Finding]:
    """From the recorder's journal, which may be in use."""
    if not path.exists():
        return
    try:
        with closing(Database(path, RECORDER, read_only=True)) as db:
            ((total,),) = db.rows("SELECT count(*) FROM dead_letter")
            newest = db.rows(
                "SELECT count(*), max(number), at_ms, topic, reason FROM dead_letter "
                "GROUP BY reason ORDER BY max(number) DESC LIMIT ?",
                (REASONS,),
            )
    except RecorderJournalError as error:
        yield fault("set aside", error)
        return
    if not total:
        yield Finding("set aside", "ok", "no message, and no row")
        return
    told = (
        f"{count}, last {from_ms(at_ms):%Y-%m-%d %H:%M:%S} UTC, {topic or 'a row'}: {reason}"
        for count, _, at_ms, topic, reason in newest
    )
    yield Finding(
        "set aside", "notice", f"{total} messages and rows; {'; '.join(told)}", "0",
        "mend what it says; units send all again to a recorder with a new [recorder] path",
    )  # fmt: skip
