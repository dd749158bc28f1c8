"""File systems with little space, for tests of full disks. They need root."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def mounted(place: Path, mib: int, *, lazily: bool = True) -> Iterator[Path]:
    """So many MiB in this directory, made where it is not there. Not ``lazily``: nobody may
    have a file of it open at the end."""
    place.mkdir(exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={mib}m", "tmpfs", str(place)]
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("mounting a small file system needs root")
    try:
        yield place
    finally:
        subprocess.run(["umount", *(["-l"] if lazily else []), str(place)], check=True)


def fill(directory: Path) -> Path:
    """Take all space that is left; the file that has it, longer than it was where it was there."""
    filler = directory / "filler"
    with filler.open("ab", buffering=0) as file:
        try:
            while file.write(b"x" * 4096):
                pass
        except OSError:
            return filler
    raise AssertionError("the disk has no end")
