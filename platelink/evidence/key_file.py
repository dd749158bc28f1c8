"""The private key of a unit, in a file that its owner alone may read."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from platelink.evidence.keys import KEY_BYTES, Signer
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.private import opener


def make_key(path: Path, name: str, seed: Callable[[int], bytes] = os.urandom) -> Signer:
    """A new key in a new file, durable when it returns. ``FileExistsError`` where one is."""
    signer = Signer.of_seed(name, seed(KEY_BYTES))
    part = path.with_name(f"{path.name}.new")
    part.unlink(missing_ok=True)
    with open(part, "xb", opener=opener) as file:
        file.write(signer.pem)
        file.flush()
        os.fsync(file.fileno())
    os.link(part, path)  # never over one that is there
    part.unlink()
    with suppress(OSError):  # some file systems cannot flush a directory
        handle = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    return signer


def read_key(path: Path, name: str, *, renewed_by: str = "platelink seal rotate") -> Signer | None:
    """The key of a file; None where there is none. ``EvidenceError`` says what is wrong with it,
    also where others may read it."""
    try:
        mode, data = path.stat().st_mode, path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise EvidenceError(f"{path} cannot be read ({error.strerror})") from None
    if mode & 0o077:
        raise EvidenceError(
            f"{path} can be read by others, who can sign with it; sudo chmod 600 {path}, then "
            f"{renewed_by}"
        )
    try:
        return Signer.of_pem(name, data)
    except EvidenceError as error:
        raise EvidenceError(f"{path}: {error}") from None
