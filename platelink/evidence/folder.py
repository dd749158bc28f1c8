"""A bundle as a folder: written whole or not at all, and read without trusting it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from platelink.evidence.seal import Files
from platelink.evidence.wrong import EvidenceError

_MOST_BYTES = 1 << 30
"""A longer folder is no bundle of ours."""


def write_folder(files: Files, folder: Path) -> None:
    """Into a new folder; ``EvidenceError`` where it is there or cannot be made."""
    if folder.exists():
        raise EvidenceError(f"{folder} is there already; name another folder")
    part = folder.with_name(f".{folder.name}.{os.getpid()}")
    try:
        for path, data in files.items():
            place = part / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        part.rename(folder)
    except OSError as error:
        raise EvidenceError(
            f"{folder} cannot be written ({error.strerror}); choose another place, or free space"
        ) from None
    finally:
        shutil.rmtree(part, ignore_errors=True)


def read_folder(folder: Path) -> dict[str, bytes]:
    """All files by path; ``EvidenceError`` for what is no plain file."""
    found: dict[str, bytes] = {}
    left = _MOST_BYTES
    try:
        for place in sorted(folder.rglob("*")):
            if place.is_dir() and not place.is_symlink():
                continue
            if place.is_symlink() or not place.is_file():
                raise EvidenceError(f"{place} is no plain file; a bundle has no others")
            left -= place.stat().st_size
            if left < 0:
                raise EvidenceError(f"{folder} is larger than a bundle can be")
            found[place.relative_to(folder).as_posix()] = place.read_bytes()
    except OSError as error:
        raise EvidenceError(f"{folder} cannot be read ({error.strerror})") from None
    if not found:
        raise EvidenceError(f"{folder} is no bundle: no files are there")
    return found
