"""A store in a file of its own: opened, closed, used in a ``with``."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, Self

from platelink.ledger.database import Database
from platelink.ledger.kind import Kind


class Store:
    """See the file's first line."""

    kind: ClassVar[Kind]

    def __init__(self, database: Database) -> None:
        self._db = database

    @classmethod
    def open(cls, path: Path | str, *, read_only: bool = False) -> Self:
        """Open the file; without ``read_only`` it is made where there is none."""
        return cls(Database(Path(path), cls.kind, read_only=read_only))

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
