"""The sealer: looks what has closed in journal and stores, and seals it. One thread."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from platelink.evidence.content import utc_text
from platelink.evidence.key_file import make_key, read_key
from platelink.evidence.keys import Signer
from platelink.evidence.log import Sealed, SealLog, new_origin
from platelink.evidence.seal import seal_of
from platelink.evidence.sources import JournalRecords, Record, store_records
from platelink.evidence.wrong import EvidenceError
from platelink.record.errors import JournalMissing
from platelink.record.reader import JournalReader


@dataclass(frozen=True, slots=True)
class SealPlaces:
    """Where things are, and whose they are."""

    site: str
    unit: str
    journal: Path
    log: Path
    key: Path
    stores: tuple[tuple[str, Path], ...]

    @property
    def next_key(self) -> Path:
        """A key that is to sign from now on."""
        return self.key.with_name(self.key.name + ".next")


class Sealer:
    """See the file's first line. ``close`` when done; every error leaves what is sealed sealed."""

    def __init__(self, places: SealPlaces, now: Callable[[], datetime]) -> None:
        self._places, self._now = places, now
        self.log, self.signer = self._opened()
        self._reader: JournalReader | None = None
        self._newest = ""
        self._seen: dict[str, int] = {}
        self._stamps: dict[str, tuple[int, int]] = {}

    def close(self) -> None:
        """Close all files."""
        if self._reader is not None:
            self._reader.close()
        self.log.close()

    # --- log and key -----------------------------------------------------------------------

    def _opened(self) -> tuple[SealLog, Signer]:
        """The log and the key that signs it. Where the key is gone the log cannot go on: it is set
        aside, and another begun, which seals all that is there anew."""
        places = self._places
        log = SealLog.open(places.log)
        try:
            origin = log.origin()
            signer = read_key(places.key, origin or "") if origin is not None else None
            if origin is not None and signer is None and log.size():
                log.close()
                _set_aside(places.log)
                log = SealLog.open(places.log)
                origin = None
            if origin is None:
                origin = new_origin(places.site, places.unit)
                signer = read_key(places.key, origin) or make_key(places.key, origin)
                log.begin(signer, places.unit)
            elif signer is None:  # begun, and nothing sealed
                raise EvidenceError(f"{places.key} is gone; move {places.log} away, too")
            return log, self._rotated(log, signer)
        except BaseException:
            log.close()
            raise

    def _rotated(self, log: SealLog, signer: Signer) -> Signer:
        """The key to sign with, where another is to take over. A crash between any two steps is
        made good by the next time."""
        following = read_key(self._places.next_key, signer.name)
        newest = log.keys()[-1]
        if following is not None:
            if following.verifier != newest:
                if signer.verifier != newest:
                    raise EvidenceError(self._strange(signer))
                log.rotate(signer, following)
            os.replace(self._places.next_key, self._places.key)
            signer = following
        elif signer.verifier != newest:
            raise EvidenceError(self._strange(signer))
        return signer

    def _strange(self, signer: Signer) -> str:
        return (
            f"{self._places.key} is another key ({signer.verifier.id.hex()}) than signed "
            f"{self._places.log} so far; put the right one back, or move the log away to start over"
        )

    # --- a round ---------------------------------------------------------------------------

    def round(self) -> int:
        """Seal what has closed since; how many leaves."""
        self.signer = self._rotated(self.log, self.signer)
        before = self.log.size()
        self._journal()
        for store, path in self._places.stores:
            self._store(store, path)
        return self.log.size() - before

    def _journal(self) -> None:
        if self._reader is not None and self._reader.replaced():
            self._reader.close()
            self._reader = None
        if self._reader is None:
            try:
                self._reader = JournalReader.open(self._places.journal, unit=self._places.unit)
            except JournalMissing:
                return
        records = JournalRecords(self._reader)
        uuid, last = records.uuid, self._reader.last_number()
        seen = self._seen.get(uuid, self.log.cursor(uuid))
        if last <= seen:
            return
        for number, closed in records.closed(seen, last):
            if closed is not None and not self.log.has(uuid, *closed):
                found = tuple(self._with_events(records, records.record(*closed), number))
                self.log.append(found, uuid, number, self.signer)
            self._seen[uuid] = number
        self._seen[uuid] = last

    def _with_events(
        self, records: JournalRecords, record: Record, number: int
    ) -> Iterator[Sealed]:
        """The record, and before a run what happened outside runs since the last one."""
        if record.kind != "note":
            first = self.log.newest_last(records.uuid, "events") + 1
            last = max(number, record.last)
            if first <= last:
                name = f"entries {first} to {last}"
                yield self._sealed(records.record("events", name, first, last), records.uuid)
        yield self._sealed(record, records.uuid)

    def _store(self, store: str, path: Path) -> None:
        try:
            found = path.stat()
        except OSError:
            return
        stamp = found.st_mtime_ns, found.st_size
        if stamp == self._stamps.get(store):
            return
        for record in store_records(store, path, self._places.unit, after=self.log.cursor(store)):
            if not self.log.has(store, record.kind, record.name):
                self.log.append((self._sealed(record, store),), store, record.last, self.signer)
        self._stamps[store] = stamp

    def _sealed(self, record: Record, source: str) -> Sealed:
        sealed_utc = utc_text(self._now())
        if not self._newest:
            last = self.log.leaves(after=self.log.size() - 2, limit=1)
            self._newest = last[0].seal.sealed_utc if last else ""
        # A clock set back must not make a log that looks forged.
        sealed_utc = self._newest = max(sealed_utc, self._newest)
        seal = seal_of(
            record.kind, record.name, record.files, sealed_utc=sealed_utc, unit=self._places.unit
        )
        return Sealed(seal, source, record.first, record.last, record.files)


def set_aside_name(path: Path) -> Path:
    """Where a log goes that another takes the place of."""
    number = 1
    while (aside := path.with_name(f"{path.name}.before-{number}")).exists():
        number += 1
    return aside


def _set_aside(path: Path) -> Path:
    aside = set_aside_name(path)
    path.rename(aside)
    with suppress(FileNotFoundError):
        path.with_name(path.name + "-journal").rename(aside.with_name(aside.name + "-journal"))
    return aside
