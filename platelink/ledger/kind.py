"""What a kind of file declares: mark, schema, how it is written, what its faults are called."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path
from types import MappingProxyType

from platelink.ledger.errors import StoreRefused, StoreUnavailable, StoreUnusable


class Fault(Enum):
    """What can be wrong with a file."""

    ABSENT = auto()
    OTHER_KIND = auto()
    NO_DATABASE = auto()
    NEWER = auto()
    FULL = auto()
    LOCKED = auto()
    LOCKED_HERE = auto()
    READ_ONLY = auto()
    DENIED = auto()
    DAMAGED = auto()
    DISK = auto()
    NOT_OPENED = auto()
    REFUSED = auto()
    SYSTEM = auto()
    """The operating system refused a file beside the database, or its directory."""
    NO_DIRECTORY = auto()
    CLOSED_DIRECTORY = auto()
    """The lock of the one writer cannot be made there."""
    IN_USE = auto()
    UNFORESEEN = auto()
    """Any other error of SQLite: a fault of ours unless a kind has a class for it."""


_TEXTS: Mapping[Fault, str] = MappingProxyType(
    {
        Fault.ABSENT: "{path} does not exist",
        Fault.OTHER_KIND: "{path} is not a {name}; name another path",
        Fault.NO_DATABASE: "{path} is not a {name}; name another path ({error})",
        Fault.NEWER: "{path} has schema version {version}, this release knows {known}; install the "
        "release that wrote it, or a later one",
        Fault.FULL: "no space left for {path}; free disk space ({error})",
        Fault.LOCKED: "{path} is locked by another program; close whatever holds it open for "
        "writing ({error})",
        Fault.LOCKED_HERE: "{path} is locked within this program; try again ({error})",
        Fault.READ_ONLY: "{path} cannot be written; give this user the right to write the file and "
        "its directory ({error})",
        Fault.DENIED: "{path}: access denied; check its owner and mode ({error})",
        Fault.DAMAGED: "{path} is damaged; keep it, check the disk, restore a backup or copy what "
        "is sound: platelink doctor --repair {path} ({error})",
        Fault.DISK: "the disk failed on {path}; check the disk ({error})",
        Fault.NOT_OPENED: "{path} cannot be opened; check that its directory exists and that this "
        "user may write there ({error})",
        Fault.REFUSED: "{path} refused the entry ({error})",
        Fault.SYSTEM: "{path} cannot be opened ({error}); check that its directory exists and that "
        "this user may write there",
        Fault.NO_DIRECTORY: "{path.parent} does not exist; create the directory or correct the "
        "path",
    }
)
_ERRORS: Mapping[Fault, type[Exception]] = MappingProxyType(
    dict.fromkeys((Fault.FULL, Fault.LOCKED, Fault.LOCKED_HERE, Fault.DISK), StoreUnavailable)
    | dict.fromkeys(
        (
            Fault.ABSENT, Fault.OTHER_KIND, Fault.NO_DATABASE, Fault.NEWER, Fault.READ_ONLY,
            Fault.DENIED, Fault.DAMAGED, Fault.NOT_OPENED, Fault.SYSTEM,
        ),
        StoreUnusable,
    )
    | {Fault.REFUSED: StoreRefused}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Kind:
    """What a file is. The defaults are a store's: writes are few and each waits for the disk, and
    the file is one file, with SQLite's rollback journal beside it only while something is written,
    so that it can be read from a place where nothing may be written.

    ``PRAGMA user_version`` counts the migrations a file has seen. A released migration is never
    changed: files made by it exist."""

    name: str
    application_id: int
    migrations: tuple[tuple[str, ...], ...]
    pragmas: tuple[str, ...] = (
        "synchronous = EXTRA",  # FULL does not wait for the directory
        "foreign_keys = ON",
        "recursive_triggers = ON",
    )
    """Of a connection that writes, in order."""
    private: bool = False
    """What is replaced in it is overwritten."""
    open_wait_s: float = 10.0
    write_wait_s: float = 10.0
    """How long another writer is waited for."""
    errors: Mapping[Fault, type[Exception]] = field(default_factory=lambda: _ERRORS)
    texts: Mapping[Fault, str] = field(default_factory=dict)
    """Where they are not the common ones."""

    @property
    def version(self) -> int:
        """The newest version this release knows."""
        return len(self.migrations)

    @property
    def logged_ahead(self) -> bool:
        """True where a write-ahead log lies beside the file."""
        return "journal_mode = WAL" in self.pragmas

    def error(
        self, fault: Fault, path: Path, error: object = None, version: int | None = None
    ) -> Exception:
        """The exception of a fault, with what was found and what to do."""
        text = self.texts.get(fault) or _TEXTS[fault]
        return self.errors[fault](
            text.format(path=path, name=self.name, error=error, version=version, known=self.version)
        )
