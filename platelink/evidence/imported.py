"""Records of other units, imported as bundles: kept beside the journal, and never part of it.

Each is kept as it came, byte for byte, with the key that it was verified under; it is verified
again whenever it is opened.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from platelink.contract.runs import Sealed
from platelink.evidence.bundle import check_bundle
from platelink.evidence.content import utc_text
from platelink.evidence.foreign import ForeignReader, foreign_journal
from platelink.evidence.imported_schema import IMPORTED
from platelink.evidence.keys import Verifier
from platelink.evidence.note import read_proof
from platelink.evidence.seal import RECORD, Files
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.readable import readable
from platelink.ledger.store import Store

_COLUMNS = (
    "number, site, unit, journal, kind, name, sealed_utc, manifest_sha256, vkey, imported_utc"
)


@dataclass(frozen=True, slots=True)
class Imported:
    """A record of another unit."""

    number: int
    site: str
    unit: str
    journal: str
    """Id of the journal it was made of."""
    kind: str
    name: str
    sealed_utc: str
    manifest_sha256: str
    vkey: str
    """The key it was verified under."""
    imported_utc: str

    @property
    def called(self) -> str:
        """What tells it from the own records, and from those of a third unit."""
        return f"{self.unit}/{self.name}"


def verified(files: Files, keys: Sequence[Verifier]) -> Imported:
    """What a bundle is of, under one of these keys, which have come from elsewhere; as it will
    stand in the store. ``EvidenceError`` says in a sentence why it is not taken."""
    if "seal.json" not in files:
        raise EvidenceError("no bundle: there is no seal.json")
    log = _log_of(files)
    fitting = [key for key in keys if key.name == log]
    if not fitting:
        raise EvidenceError(
            f"it is sealed in the log {log}, and no key of that log was given; ask for it at that "
            "unit: platelink seal key"
        )
    checks = [(key, check_bundle(files, key, reports=False)) for key in fitting]
    key, found = next((one for one in checks if not one[1].problems), checks[-1])
    if found.problems or found.seal is None:
        more = f" (and {len(found.problems) - 1} more)" if len(found.problems) > 1 else ""
        raise EvidenceError(f"it does not verify under the key given: {found.problems[0]}{more}")
    seal = found.seal
    if seal.kind not in ("plate", "exposure"):
        raise EvidenceError(f"it is no plate and no exposure but a record of kind '{seal.kind}'")
    with foreign_journal(files) as reader:  # what cannot be opened later is not taken
        run = reader.run(seal.name)
    if run is None:
        raise EvidenceError(f"its record has no run {seal.name}")
    return Imported(
        0, log.split("/")[1] if log.count("/") > 1 else "", seal.unit, reader.uuid, seal.kind,
        seal.name, seal.sealed_utc, seal.manifest_sha256, key.text, "",
    )  # fmt: skip


def _log_of(files: Files) -> str:
    return files.get("checkpoint", b"").decode("utf-8", "replace").partition("\n")[0]


class ImportedStore(Store):
    """See the file's first line."""

    kind = IMPORTED

    def add(self, one: Imported, files: Files, *, at_utc: datetime) -> bool:
        """Keep a verified bundle, whole or not at all; False where it is there already.
        ``EvidenceError`` where another record of that name is."""
        with self._db.transaction():
            there = [
                other for other in self.all()
                if (other.journal, other.kind, other.name) == (one.journal, one.kind, one.name)
            ]  # fmt: skip
            if there:
                if there[0].manifest_sha256 == one.manifest_sha256:
                    return False
                raise EvidenceError(
                    f"{one.kind} {one.called} was imported {there[0].imported_utc} with other "
                    "content; nothing was changed, and both cannot be what that unit recorded"
                )
            number = self._db.rows("SELECT coalesce(max(number), 0) + 1 FROM bundles")[0][0]
            self._db.execute(
                f"INSERT INTO bundles ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (
                    number, one.site, one.unit, one.journal, one.kind, one.name, one.sealed_utc,
                    one.manifest_sha256, one.vkey, utc_text(at_utc),
                ),
            )  # fmt: skip
            for path, data in files.items():
                self._db.execute(
                    "INSERT INTO files VALUES (?, ?, ?)", (number, path, zlib.compress(data))
                )
            runs = json.loads(files[RECORD])["runs"]
            self._db.execute_each(
                "INSERT INTO runs VALUES (?, ?)", [(run["start"]["run_id"], number) for run in runs]
            )
        return True

    def all(self) -> list[Imported]:
        """All of them, in the order they were imported."""
        rows = self._db.rows(f"SELECT {_COLUMNS} FROM bundles ORDER BY number")  # noqa: S608
        return [Imported(*row) for row in rows]

    def find(self, wanted: str) -> list[tuple[Imported, str]]:
        """Records, each with its run, of this name or with a run of this id, alone or after the
        name of its unit."""
        rows = self._db.rows("SELECT bundle, run_id FROM runs ORDER BY bundle, run_id")
        by_number = {one.number: one for one in self.all()}
        found = [(by_number[number], str(run_id)) for number, run_id in rows]
        return [
            (one, run_id) for one, run_id in found
            if wanted in (run_id, f"{one.unit}/{run_id}", f"{one.site}/{one.unit}/{run_id}")
        ]  # fmt: skip

    def files(self, one: Imported) -> dict[str, bytes]:
        """Its files as they came; ``StoreUnusable`` where the store is damaged."""
        rows = self._db.rows("SELECT path, body FROM files WHERE bundle = ?", (one.number,))
        with readable(self._db.path, f"bundle {one.called}"):
            try:
                return {str(path): zlib.decompress(body) for path, body in rows}
            except zlib.error as error:
                raise ValueError(str(error)) from error

    def must_hold(self, one: Imported) -> dict[str, bytes]:
        """Its files, verified again under the key it was imported under. ``EvidenceError`` where it
        does not verify any more."""
        files = self.files(one)
        found = check_bundle(files, Verifier.of_text(one.vkey), reports=False)
        if found.problems:
            raise EvidenceError(
                f"{one.called} is not what was imported: {found.problems[0]}; import it again into "
                "a store of its own, or restore a backup"
            )
        return files

    @contextmanager
    def opened(self, one: Imported) -> Iterator[ForeignReader]:
        """Its record to be read as a journal, once it has been verified again."""
        with foreign_journal(self.must_hold(one)) as reader:
            yield reader

    def sealed(self, one: Imported) -> Sealed:
        """Where it is sealed, as others are told."""
        proof = read_proof(self.files(one)["seal.tlog-proof"])
        return Sealed(
            state="sealed", kind=one.kind, name=one.name, index=proof.index,
            sealed_utc=one.sealed_utc, checkpoint=proof.note.data.decode(),
        )  # fmt: skip
