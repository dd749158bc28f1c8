"""What this unit saw of the logs of others, in the file of its own log. One thread."""

from __future__ import annotations

from typing import Final, NamedTuple

from platelink.evidence.contradictions import Contradicted
from platelink.evidence.note import Checkpoint, Note, read_checkpoint, read_note
from platelink.ledger.database import Database

MOST_KEPT: Final = 100
"""Contradictions of one log that are kept: who has its key could show more without end."""


class Seen(NamedTuple):
    """A checkpoint of another log, with this unit's line below it."""

    note: Note
    head: Checkpoint
    at_s: int
    """When it was cosigned, seconds since 1970."""

    @property
    def size(self) -> int:
        """Leaves."""
        return self.head.size


class Witnessed:
    """Every change is on the disk when a call returns."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def newest(self, origin: str) -> Seen | None:
        """The largest checkpoint of a log, as it was cosigned last."""
        rows = self._db.rows(
            "SELECT note, at_s FROM witnessed WHERE origin = ? "
            "ORDER BY size DESC, number DESC LIMIT 1",
            (origin,),
        )
        if not rows:
            return None
        note = read_note(str(rows[0][0]).encode())
        return Seen(note, read_checkpoint(note), int(rows[0][1]))

    def root(self, origin: str, size: int) -> bytes | None:
        """The root that was seen of a log at this size; None where it never was."""
        rows = self._db.rows(
            "SELECT note FROM witnessed WHERE origin = ? AND size = ? LIMIT 1", (origin, size)
        )
        return read_checkpoint(read_note(str(rows[0][0]).encode())).root if rows else None

    def keep(self, note: Note, at_s: int) -> None:
        """Before anybody gets the cosignature."""
        head = read_checkpoint(note)
        self._db.execute(
            "INSERT INTO witnessed (origin, size, note, at_s) VALUES (?, ?, ?, ?)",
            (head.origin, head.size, note.data.decode(), at_s),
        )

    def contradict(self, note: Note, found: Contradicted, at_s: int) -> bool:
        """Keep what was shown, signed as it is; False where it is known, or too many are."""
        origin = read_checkpoint(note).origin
        with self._db.transaction():
            [(known, kept)] = self._db.rows(
                "SELECT coalesce(sum(note = ?), 0), count(*) FROM contradictions WHERE origin = ?",
                (note.text, origin),
            )
            if known or kept >= MOST_KEPT:
                return False
            self._db.execute(
                "INSERT INTO contradictions (origin, note, kind, text, at_s) "
                "VALUES (?, ?, ?, ?, ?)",
                (origin, note.text, found.kind, found.text, at_s),
            )
        return True

    def standing(self) -> list[Contradicted]:
        """Contradictions that still stand; none in a log of an earlier release. A fork is proven by
        two signatures for good; the others are over once the log went on from the one seen."""
        if not self._db.rows("SELECT 1 FROM sqlite_master WHERE name = 'contradictions'"):
            return []
        rows = self._db.rows(
            "SELECT kind, text FROM contradictions c WHERE kind IN ('fork', 'own') OR at_s >= "
            "(SELECT coalesce(max(at_s), 0) FROM witnessed w WHERE w.origin = c.origin) "
            "ORDER BY number"
        )
        return [Contradicted(kind, str(text)) for kind, text in rows]
