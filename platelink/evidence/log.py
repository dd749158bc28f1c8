"""The log of a unit's seals in its file: appended to, read, proven. One thread."""

from __future__ import annotations

import secrets
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from platelink.evidence.keys import Signer, Verifier
from platelink.evidence.merkle import Edge, inclusion
from platelink.evidence.note import (
    Checkpoint,
    Note,
    Proof,
    Signature,
    read_checkpoint,
    read_note,
    sign,
)
from platelink.evidence.schema import SEALS
from platelink.evidence.seal import RECORD, Files, Seal, manifest_of, read_seal
from platelink.evidence.stamped import Stamps
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.database import Database
from platelink.ledger.readable import readable
from platelink.ledger.store import Store

_LEAF = "place, seal, kind, name, source, first, last, manifest, record"


class Leaf(NamedTuple):
    """A seal in its place, and what was kept of the record."""

    place: int
    seal: Seal
    source: str
    """The journal's id, or the store's name."""
    first: int
    """Entries of the source that the record was made of: the first, and"""
    last: int
    manifest: bytes
    record: bytes
    """``data/record.json``; empty where what is kept cannot be read."""


class Sealed(NamedTuple):
    """What is to be appended."""

    seal: Seal
    source: str
    first: int
    last: int
    files: Files


class SealLog(Store):
    """See the file's first line."""

    kind = SEALS

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self._edge: Edge | None = None
        self._size = -1
        # A log of an earlier release, which is only read, has no such table.
        self._cosigned = bool(database.rows("SELECT 1 FROM sqlite_master WHERE name = 'cosigned'"))

    # --- reading ---------------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The log's file."""
        return self._db.path

    @property
    def database(self) -> Database:
        """For what this unit saw of the logs of others, which lies in the same file."""
        return self._db

    def origin(self) -> str | None:
        """Name of the log and of its keys; None before it was begun."""
        rows = self._db.rows("SELECT origin FROM log")
        return str(rows[0][0]) if rows else None

    def size(self) -> int:
        """How many leaves there are."""
        return int(self._db.rows("SELECT coalesce(max(place) + 1, 0) FROM leaves")[0][0])

    def keys(self) -> list[Verifier]:
        """The keys that signed it, oldest first; ``EvidenceError`` where one cannot be read."""
        rows = self._db.rows("SELECT vkey FROM keys ORDER BY number")
        return [Verifier.of_text(str(vkey)) for (vkey,) in rows]

    def head(self) -> Note | None:
        """The newest checkpoint, as it was signed, and cosigned by now."""
        rows = self._db.rows("SELECT max(size) FROM heads")
        return self.head_of(rows[0][0]) if rows[0][0] is not None else None

    def head_of(self, size: int) -> Note | None:
        """The checkpoint of so many leaves, as it was signed, and cosigned by now."""
        rows = self._db.rows(
            "SELECT checkpoint FROM heads WHERE size = ? ORDER BY keys DESC LIMIT 1", (size,)
        )
        if not rows:
            return None
        lines: tuple[str, ...] = ()
        if self._cosigned:
            sql = "SELECT line FROM cosigned WHERE size = ? ORDER BY rowid"
            lines = tuple(str(line) for (line,) in self._db.rows(sql, (size,)))
        return read_note("".join((str(rows[0][0]), *lines)).encode())

    def heads(self) -> list[Note]:
        """All checkpoints, oldest first."""
        rows = self._db.rows("SELECT checkpoint FROM heads ORDER BY size, keys")
        return [read_note(str(text).encode()) for (text,) in rows]

    def leaf_data(self) -> list[bytes]:
        """The bytes of all leaves, in order."""
        rows = self._db.rows("SELECT seal FROM leaves ORDER BY place")
        return [str(seal).encode() for (seal,) in rows]

    def leaves(self, *, after: int = -1, limit: int = -1) -> list[Leaf]:
        """Leaves in order, after that place."""
        rows = self._db.rows(
            f"SELECT {_LEAF} FROM leaves WHERE place > ? ORDER BY place LIMIT ?",  # noqa: S608 -- our own text
            (after, limit),
        )
        return [self._leaf(*row) for row in rows]

    def find(self, kinds: Iterable[str], name: str) -> Leaf | None:
        """The newest seal of a record."""
        for kind in kinds:
            rows = self._db.rows(
                f"SELECT {_LEAF} FROM leaves WHERE kind = ? AND name = ? "  # noqa: S608 -- our own text
                "ORDER BY place DESC LIMIT 1",
                (kind, name),
            )
            if rows:
                return self._leaf(*rows[0])
        return None

    def _leaf(self, *row: object) -> Leaf:
        place, seal, kind, name, source, first, last, manifest, record = row
        with readable(self.path, f"leaf {place}"):
            try:
                text = zlib.decompress(record) if isinstance(record, bytes) else b""
            except zlib.error:
                text = b""
            found = read_seal(str(seal).encode())
            if (found.kind, found.name) != (kind, name):
                raise EvidenceError(f"leaf {place} seals {found.kind} {found.name}, not {name}")
            return Leaf(
                int(str(place)), found, str(source), int(str(first)), int(str(last)),
                str(manifest).encode(), text,
            )  # fmt: skip

    def proof(self, place: int) -> Proof:
        """That a leaf is in the log, as the newest checkpoint has it; where others cosigned, the
        newest of those that most cosigned; where that many cosigned one that is time-stamped, the
        first of these."""
        note, most = self.head(), 0
        if self._cosigned:
            rows = self._db.rows(
                "SELECT size, count(*) FROM cosigned WHERE size > ? GROUP BY size "
                "ORDER BY count(*) DESC, size DESC LIMIT 1",
                (place,),
            )
            note, most = (self.head_of(rows[0][0]), rows[0][1]) if rows else (note, 0)
        stamped = Stamps(self._db).best(place)
        if stamped is not None and stamped.cosigned >= most:
            note = stamped.note
        if note is None:
            raise EvidenceError(f"{self.path} has no checkpoint yet")
        size = read_checkpoint(note).size
        nodes = [read_seal(data).leaf for data in self.leaf_data()[:size]]
        return Proof(place, tuple(inclusion(nodes, place)), note)

    def cosigned_size(self, name: str) -> int:
        """Leaves of the largest checkpoint that the unit with this log cosigned; else 0."""
        sql = "SELECT coalesce(max(size), 0) FROM cosigned WHERE name = ?"
        return int(self._db.rows(sql, (name,))[0][0])

    def cursor(self, source: str) -> int:
        """How far a source is looked through."""
        rows = self._db.rows("SELECT number FROM cursors WHERE source = ?", (source,))
        return int(rows[0][0]) if rows else 0

    def has(self, source: str, kind: str, name: str) -> bool:
        """Is it sealed?"""
        sql = "SELECT 1 FROM leaves WHERE source = ? AND kind = ? AND name = ?"
        return bool(self._db.rows(sql, (source, kind, name)))

    def newest_last(self, source: str, kind: str = "") -> int:
        """The last entry of a source that a leaf, of this kind if given, was made of."""
        sql = "SELECT coalesce(max(last), 0) FROM leaves WHERE source = ? AND ? IN (kind, '')"
        return int(self._db.rows(sql, (source, kind))[0][0])

    # --- writing ---------------------------------------------------------------------------

    def add_cosignature(self, size: int, one: Signature) -> bool:
        """Put a line of another unit below a checkpoint; False where it has one of this key."""
        with self._db.transaction():
            key = size, one.name, one.key_id.hex()
            sql = "SELECT 1 FROM cosigned WHERE (size, name, key_id) = (?, ?, ?)"
            if self._db.rows(sql, key):
                return False
            self._db.execute("INSERT INTO cosigned VALUES (?, ?, ?, ?)", (*key, one.line))
        return True

    def begin(self, signer: Signer, unit: str) -> None:
        """Begin the log: its name is the key's."""
        with self._db.transaction():
            self._db.execute("INSERT INTO log VALUES (1, ?, ?)", (signer.name, unit))
            self._take(signer)
            self._sign(signer)

    def append(self, sealed: Iterable[Sealed], source: str, upto: int, signer: Signer) -> None:
        """Seal records and move the cursor of their source, as one commit: all of it is there after
        a crash, or nothing, and it is done again."""
        with self._db.transaction():
            edge, grew = self._grown(), False
            for one in sealed:
                record = zlib.compress(one.files[RECORD], 9)
                self._db.execute(
                    "INSERT INTO leaves (place, seal, kind, name, source, first, last, manifest, "
                    "record) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        edge.size, one.seal.data.decode(), one.seal.kind, one.seal.name, one.source,
                        one.first, one.last, manifest_of(one.files).decode(), record,
                    ),
                )  # fmt: skip
                edge.add(one.seal.leaf)
                grew = True
            self._edge = None  # until this is committed
            self._db.execute(
                "INSERT INTO cursors VALUES (?, ?) ON CONFLICT (source) DO UPDATE SET "
                "number = excluded.number",
                (source, upto),
            )
            if grew:
                self._sign(signer, edge=edge)
        self._edge, self._size = edge, edge.size

    def rotate(self, old: Signer, new: Signer) -> None:
        """Let another key sign from now on: one checkpoint is signed by both."""
        with self._db.transaction():
            self._take(new)
            self._sign(old, new)

    def _take(self, signer: Signer) -> None:
        self._db.execute(
            "INSERT INTO keys (number, vkey) SELECT count(*), ? FROM keys", (signer.verifier.text,)
        )

    def _sign(self, *signers: Signer, edge: Edge | None = None) -> None:
        edge = edge or self._grown()
        head = Checkpoint(signers[0].name, edge.size, edge.root())
        self._db.execute(
            "INSERT INTO heads SELECT ?, count(*), ? FROM keys",
            (edge.size, sign(head.text, *signers).data.decode()),
        )

    def _grown(self) -> Edge:
        """The log's right edge, from memory where nobody else has appended."""
        if self._edge is None or self._size != self.size():
            self._edge = Edge([read_seal(data).leaf for data in self.leaf_data()])
            self._size = self._edge.size
        return self._edge


def new_origin(site: str, unit: str) -> str:
    """A name that no other log has: a log begun anew is another one."""
    return f"platelink/{site}/{unit}/{secrets.token_hex(4)}"
