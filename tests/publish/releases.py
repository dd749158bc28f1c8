"""Releases of this tree, as ``deploy/release.py`` makes them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
RELEASING = (ROOT / "docs/releasing.md").read_text("utf-8")
IGNORED = (ROOT / ".gitignore").read_text("utf-8").split()


def documented(name: str) -> str:
    """The lines of that name in docs/releasing.md."""
    found = re.search(rf"<!-- {name} -->\n```sh\n(.*?)```\n", RELEASING, re.DOTALL)
    assert found, name
    return found[1]


def sh(line: str, folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "-ec", line], cwd=folder, capture_output=True, text=True, check=False,
        env={**os.environ, **more},
    )  # fmt: skip


def repository(folder: Path) -> Path:
    """This tree as it is here, committed, in a repository of its own."""
    ignored = shutil.ignore_patterns(".git", *(name.strip("/") for name in IGNORED))
    shutil.copytree(ROOT, folder, ignore=ignored, symlinks=True)
    as_somebody = "git -c user.name=Invented -c user.email=invented@shop.example"
    made = sh(f"git init -q && git add -A && {as_somebody} commit -q -m 'As it is'", folder)
    assert made.returncode == 0, made.stderr
    return folder


def make_key(folder: Path) -> Path:
    """By the documented lines; the public one is beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    made = sh(documented("make a key"), folder)
    assert made.returncode == 0, made.stderr
    return folder / "release.key"


def release(
    checkout: Path, out: Path, key: Path, umask: str = "022", **more: str
) -> subprocess.CompletedProcess[str]:
    """By the documented line."""
    line = documented("make a release").strip()
    assert line == "python deploy/release.py OUT --key release.key"
    line = line.replace("python", sys.executable, 1).replace("OUT", str(out), 1)
    return sh(f"umask {umask}; {line.replace('release.key', str(key))}", checkout, **more)
