"""Time stamps of this log's checkpoints, in the file of the log. One thread."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from platelink.evidence.note import Note, read_checkpoint, read_note
from platelink.ledger.database import Database


class Stamped(NamedTuple):
    """A checkpoint as it was stamped, with the lines of other units that it had then."""

    note: Note
    answer: bytes
    """The authority's (RFC 3161)."""
    cosigned: int
    """Lines of other units."""

    @property
    def size(self) -> int:
        """Leaves."""
        return read_checkpoint(self.note).size


class Stamps:
    """Every change is on the disk when a call returns."""

    def __init__(self, database: Database) -> None:
        self._db = database
        # A log of an earlier release, which is only read, has no such table.
        self._there = bool(database.rows("SELECT 1 FROM sqlite_master WHERE name = 'stamps'"))

    def add(self, checkpoint: bytes, answer: bytes) -> None:
        """Keep what the authority answered; one for each checkpoint as it stands."""
        note = read_note(checkpoint)
        head = read_checkpoint(note)
        others = sum(one.name != head.origin for one in note.signatures)
        self._db.execute(
            "INSERT OR IGNORE INTO stamps (size, cosigned, checkpoint, answer) VALUES (?, ?, ?, ?)",
            (head.size, others, checkpoint.decode(), answer),
        )

    def of(self, checkpoint: bytes) -> bytes | None:
        """The stamp of these very bytes."""
        return next((one.answer for one in self._some("checkpoint = ?", checkpoint.decode())), None)

    def best(self, place: int) -> Stamped | None:
        """Of the stamped checkpoints with this leaf, of those that most units cosigned the first:
        it is the nearest to when the leaf was sealed."""
        return next(
            self._some("size > ? ORDER BY cosigned DESC, size, number LIMIT 1", place), None
        )

    def newest_size(self) -> int:
        """Leaves of the largest that is stamped; else 0."""
        if not self._there:
            return 0
        return int(self._db.rows("SELECT coalesce(max(size), 0) FROM stamps")[0][0])

    def all(self) -> Iterator[Stamped]:
        """In the order of their sizes, one by one: an answer has some thousand bytes."""
        return self._some("1 ORDER BY size, number")

    def _some(self, where: str, *values: object) -> Iterator[Stamped]:
        if self._there:
            sql = f"SELECT checkpoint, answer, cosigned FROM stamps WHERE {where}"  # noqa: S608 -- our own text
            for text, answer, cosigned in self._db.each(sql, values):
                yield Stamped(read_note(str(text).encode()), bytes(answer), int(cosigned))
