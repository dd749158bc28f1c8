"""The program: built in a place of its own, taken over in one step, the one before kept."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from installer.machine import CURRENT, OPT, PREVIOUS, SOURCE, point, release_of, run, say, wrote

COMMAND = Path("/usr/local/bin/platelink")
EXTRAS = ("alerts", "jetstream", "modbus", "stamps")
"""All that a configuration may ask for is there: an upgrade takes nothing away from a unit."""
KEPT = {"parquet": "pyarrow"}
"""Large ones, by what they bring: a release has them where the one in use has."""


def units() -> list[Path]:
    """Services and timers: they may say what only their own release understands."""
    return sorted(p for p in (SOURCE / "deploy").glob("*.*") if p.suffix in (".service", ".timer"))


def sources() -> Iterator[Path]:
    """What a release is made of."""
    yield from units()
    for name in ("pyproject.toml", "README.md", "LICENSE", "deploy/constraints.txt"):
        yield SOURCE / name
    for folder in ("platelink", "firmware-sim"):
        files = (p for p in (SOURCE / folder).rglob("*") if p.is_file())
        yield from sorted(p for p in files if "__pycache__" not in p.parts)


def release_name() -> str:
    """Version, and what tells one checkout from another."""
    version = re.search(r'^version = "([^"]+)"', (SOURCE / "pyproject.toml").read_text(), re.M)
    found = hashlib.sha256()
    for path in sources():
        found.update(f"{path.relative_to(SOURCE)}\0".encode() + path.read_bytes() + b"\0")
    return f"{version[1] if version else '0'}-{found.hexdigest()[:10]}"


def extras() -> str:
    """What is installed beside the program itself."""
    old = release_of(CURRENT)
    there = [
        extra
        for extra, module in KEPT.items()
        if old is not None and any(old.glob(f"lib/python*/site-packages/{module}"))
    ]
    return ",".join([*EXTRAS, *there])


def build() -> Path:
    """The release of this checkout, in a place of its own. One that does not run any more, as after
    another Python came with Debian, is built anew."""
    place = OPT / "releases" / release_name()
    begins = (place / "bin" / "platelink", "--version")
    if (place / "complete").exists() and not run(*begins, check=False).returncode:
        say("is there", f"program {place.name}")
        return place
    wanted = extras()
    if release_of(CURRENT) == place:
        wrote("program")
    shutil.rmtree(place, ignore_errors=True)
    with tempfile.TemporaryDirectory() as copy:  # building must not write into a checkout
        for path in sources():
            to = Path(copy) / path.relative_to(SOURCE)
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, to)
        run(sys.executable, "-m", "venv", place)
        run(place / "bin" / "pip", "install", "-q", "-c", Path(copy) / "deploy/constraints.txt",
            f"{copy}[{wanted}]")  # fmt: skip
    run(*begins)
    (place / "units").mkdir()
    for path in units():
        shutil.copy2(path, place / "units")
    os.sync()  # else a power cut may leave the mark without what it stands for
    (place / "complete").touch()
    say("built", f"program {place.name}")
    return place


def take_over(new: Path) -> None:
    """Let the new release be the one that is used; the one before stays for going back."""
    old = release_of(CURRENT)
    if old != new:
        wrote("program")
        if old is not None:
            point(PREVIOUS, old)
        point(CURRENT, new)
        say("in use", new.name)
    if not COMMAND.exists() or COMMAND.resolve() != (new / "bin/platelink").resolve():
        point(COMMAND, CURRENT / "bin/platelink")


def prune() -> None:
    """Releases that neither work nor are gone back to are removed."""
    kept = {release_of(CURRENT), release_of(PREVIOUS)}
    for other in (OPT / "releases").iterdir():
        if other not in kept:
            shutil.rmtree(other)
            say("removed", f"program {other.name}")
