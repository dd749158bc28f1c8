"""The shop's folder: the key that signs, the key that closes hashes, and all that was sent."""

from __future__ import annotations

import base64
import binascii
import hashlib
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Literal, NamedTuple

from platelink.distribution.model import MOST_EARLIER, Distribution, Kind
from platelink.distribution.signed import key_name, opened, signed
from platelink.distribution.wrong import NotTaken
from platelink.evidence.key_file import make_key, read_key
from platelink.evidence.keys import KEY_BYTES, Signer
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.private import opener

_NAME: Final = re.compile(
    r"(recipes|people|calibrations)-([0-9]{6,16})(?:\.([A-Za-z0-9][A-Za-z0-9._-]*))?\.note"
)


class Sent(NamedTuple):
    """One that was signed here."""

    kind: str
    revision: int
    unit: str | None
    path: Path


@dataclass(frozen=True, slots=True)
class Head:
    """What every distribution begins with."""

    format: Literal[1]
    kind: Kind
    site: str
    unit: str | None
    revision: int
    earlier: tuple[int, ...]
    made_utc: datetime
    by: str
    why: str


class ShopFolder:
    """``NotTaken`` and ``EvidenceError`` say what is wrong with its files."""

    def __init__(self, folder: Path, site: str) -> None:
        self.folder, self.site = folder, site
        self.key, self.people_key = folder / "shop.key", folder / "people.key"

    def make_key(self, *, replace: bool = False) -> Signer:
        """A new key. ``FileExistsError`` where one is, unless it is to be replaced: the old one is
        kept beside it under its id."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if replace and self.key.exists():
            try:
                kept = self.signer().verifier.id.hex()
            except EvidenceError:  # damaged, or read by others: another one is wanted all the more
                kept = f"unreadable.{hashlib.sha256(self.key.read_bytes()).hexdigest()[:8]}"
            self.key.rename(self.key.with_name(f"shop.key.{kept}"))
        make_key(self.key, f"platelink/{self.site}")
        return self.signer()

    def make_people_key(self, secret: Callable[[int], bytes] = os.urandom) -> None:
        """A new key for hashes. ``FileExistsError`` where one is."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with open(self.people_key, "x", encoding="ascii", opener=opener) as file:
            file.write(base64.b64encode(secret(KEY_BYTES)).decode() + "\n")

    def signer(self) -> Signer:
        """The key that signs."""
        found = read_key(self.key, "-", renewed_by="platelink shop key --replace")
        if found is None:
            raise EvidenceError(
                f"there is no {self.key}; make the shop's key, once: platelink shop key"
            )
        return Signer(key_name(self.site, found.verifier.public), found.key)

    def sent(self) -> tuple[Sent, ...]:
        """All that was signed, oldest first."""
        names = (self.folder / "sent").glob("*.note")
        found = [(m, path) for path in names if (m := _NAME.fullmatch(path.name))]
        every = (Sent(m[1], int(m[2]), m[3], path) for m, path in found)
        return tuple(sorted(every, key=lambda one: (one.kind, one.revision)))

    def head(
        self, kind: Kind, unit: str | None, *, made_utc: datetime, by: str, why: str,
        revision: int | None = None,
    ) -> Head:  # fmt: skip
        """Of the next one: its number is above all of its kind. ``revision`` where it must be yet
        higher, for the units know more than this folder."""
        before = [one for one in self.sent() if one.kind == kind]
        newest = max((one.revision for one in before), default=0)
        number = newest + 1 if revision is None else revision
        if number <= newest:
            raise NotTaken(f"revision {number}: {kind} has {newest} already; give a higher one")
        same = [one.revision for one in before if one.unit in (None, unit)]
        return Head(
            1, kind, self.site, unit, number, tuple(same[-MOST_EARLIER:]), made_utc, by, why
        )

    def keep(self, one: Distribution) -> tuple[Path, bytes]:
        """Sign it and keep it: its number is given to nothing else from here on, and nobody was
        sent it before."""
        signer = self.signer()
        data = signed(one, signer)
        opened(data, (signer.verifier,))  # what a unit could not read is not sent
        folder = self.folder / "sent"
        folder.mkdir(mode=0o700, exist_ok=True)
        unit = "" if one.unit is None else f".{one.unit}"
        path = folder / f"{one.kind}-{one.revision:06d}{unit}.note"
        with open(path, "xb", opener=opener) as file:
            try:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                path.unlink()  # half of one was never sent
                raise
        return path, data


def fresh(count: int) -> bytes:
    """So many bytes that were never used before."""
    return os.urandom(count)


def read_people_key(path: Path | None) -> bytes | None:
    """The key for hashes; None where none is named. ``NotTaken`` says what is wrong with it."""
    if path is None:
        return None
    try:
        mode, text = path.stat().st_mode, path.read_text("ascii")
        key = base64.b64decode(text.strip(), validate=True)
    except OSError as error:
        raise NotTaken(
            f"the people key {path} cannot be read ({error.strerror}); copy the shop's people.key "
            "there, for the daemon to read (docs/shop.md)"
        ) from None
    except (ValueError, binascii.Error):
        key, mode = b"", 0
    if mode & 0o007:  # a service without a name of its own reads it by a group
        raise NotTaken(
            f"the people key {path} can be read by everybody; sudo chmod o= {path}, and where "
            "somebody may have read it, make another (docs/shop.md)"
        )
    if len(key) != KEY_BYTES:
        raise NotTaken(f"{path} is no people key; copy the shop's people.key again")
    return key
