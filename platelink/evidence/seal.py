"""What is sealed: the leaf of the log, and the files it answers for. Pure.

A leaf names no person; what it seals is named by kind and id, and by the sum of its manifest.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from platelink.canonical import canonical
from platelink.evidence.merkle import leaf_hash
from platelink.evidence.wrong import EvidenceError

FORMAT = 1
RECORD = "data/record.json"
KINDS = ("plate", "exposure", "calibration", "experiment", "recipe", "people", "note",
         "events")  # fmt: skip
_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
_SUM = re.compile(r"[0-9a-f]{64}")
_LINE = re.compile(r"([0-9a-f]{64})  (data/[A-Za-z0-9._/-]+)")

Files = Mapping[str, bytes]
"""By path within a bundle."""


@dataclass(frozen=True, slots=True)
class Seal:
    """A leaf of the log."""

    kind: str
    name: str
    manifest_sha256: str
    sealed_utc: str
    unit: str

    @property
    def data(self) -> bytes:
        """The leaf's bytes: RFC 8785."""
        return canonical(
            {
                "format": FORMAT, "kind": self.kind, self._named: self.name,
                "manifest_sha256": self.manifest_sha256, "sealed_utc": self.sealed_utc,
                "unit": self.unit,
            }
        )  # fmt: skip

    @property
    def _named(self) -> str:
        return "plate" if self.kind == "plate" else "record"

    @property
    def leaf(self) -> bytes:
        """Its hash in the log."""
        return leaf_hash(self.data)


def read_seal(data: bytes) -> Seal:
    """``EvidenceError`` for anything but what ``Seal.data`` gives."""
    told: Any = None
    try:
        told = json.loads(data)
        kind = told["kind"]
        found = Seal(
            kind, told["plate" if kind == "plate" else "record"], told["manifest_sha256"],
            told["sealed_utc"], told["unit"],
        )  # fmt: skip
        good = (
            kind in KINDS and bool(_SUM.fullmatch(found.manifest_sha256))
            and bool(_UTC.fullmatch(found.sealed_utc)) and found.data == data
        )  # fmt: skip
    except (ValueError, TypeError, LookupError, RecursionError):
        good = False
    if not good:
        written = told.get("format") if isinstance(told, dict) else None
        if isinstance(written, int) and written > FORMAT:
            raise EvidenceError(
                f"seal.json is of format {written}, this release reads {FORMAT}; use a newer one"
            )
        raise EvidenceError("seal.json is not as a seal is written")
    return found


def sum_of(data: bytes) -> str:
    """SHA-256, 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def manifest_of(files: Files) -> bytes:
    """As sha256sum and BagIt (RFC 8493) read it: every file with its sum, in order of their
    paths."""
    return "".join(f"{sum_of(files[path])}  {path}\n" for path in sorted(files)).encode()


def read_manifest(data: bytes) -> dict[str, str]:
    """Sums by path; ``EvidenceError`` for anything but what ``manifest_of`` gives."""
    try:
        lines = [_LINE.fullmatch(line) for line in data.decode("ascii").split("\n")[:-1]]
        found = {line[2]: line[1] for line in lines if line}
    except UnicodeDecodeError:
        found = {}
    written = "".join(f"{found[path]}  {path}\n" for path in sorted(found)).encode()
    if not found or written != data:
        raise EvidenceError("manifest-sha256.txt is not as a manifest is written")
    return found


def seal_of(kind: str, name: str, files: Files, *, sealed_utc: str, unit: str) -> Seal:
    """The seal of these files, all of them below ``data/``."""
    return Seal(kind, name, sum_of(manifest_of(files)), sealed_utc, unit)
