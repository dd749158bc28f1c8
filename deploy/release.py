#!/usr/bin/env python3
"""Make a release of this checkout: sdist, wheel, their sums, and a signature of the sums.

    python deploy/release.py OUT --key release.key

Of the commit that is checked out, nothing else: whoever makes it again from that commit, with the
same Python and hatchling, gets the same bytes. The key is an Ed25519 key in a file that nobody else
can read; none is ever made here. docs/releasing.md says how to make one, and what a receiver does.
Needs git, tar, openssl, and hatchling beside this Python.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import stat
import subprocess
import sys
import tempfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[1]
SUMS = "SHA256SUMS"


class Refused(Exception):  # noqa: N818 -- as the installer says it
    """What cannot be done, and what to do."""


def run(*command: str | Path, cwd: Path = SOURCE, **more: str) -> bytes:
    words = [str(word) for word in command]
    done = subprocess.run(  # noqa: S603 -- ours
        words, cwd=cwd, capture_output=True, check=False,
        env={**os.environ, **more},
    )  # fmt: skip
    if done.returncode:
        told = (done.stderr or done.stdout).decode(errors="replace").strip()[-2000:]
        raise Refused(f"'{' '.join(words)}' failed ({done.returncode}): {told}")
    return done.stdout


def usable(key: Path) -> None:
    """An Ed25519 key that nobody else can read."""
    try:
        mode = key.stat().st_mode
    except OSError as error:
        raise Refused(
            f"{key}: {error.strerror}; docs/releasing.md says how to make a key"
        ) from None
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise Refused(f"{key} can be read by others: chmod 600 {key}; if others were on this "
                      "machine meanwhile, make a new key")  # fmt: skip
    kind = run("openssl", "pkey", "-in", key, "-noout", "-text").split(b"\n", 1)[0]
    if not kind.startswith(b"ED25519 Private-Key"):
        raise Refused(f"{key} is no Ed25519 key: {kind.decode(errors='replace')}")


def commit() -> tuple[str, str]:
    """The commit that is checked out, and its time, seconds since 1970."""
    if left := run("git", "status", "--porcelain").decode():
        raise Refused(f"not everything is committed, so this would be no release of it:\n{left}")
    name, at = run("git", "log", "-1", "--format=%H %ct").decode().split()
    return name, at


def build(name: str, at: str, out: Path) -> list[Path]:
    """sdist and wheel of a commit, from a tree that holds nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        tree, packed = Path(folder) / "tree", Path(folder) / "tree.tar"
        tree.mkdir()
        run("git", "archive", "--output", packed, name)
        run("tar", "-xf", packed, "-C", tree)
        run(sys.executable, "-m", "hatchling", "build", "-d", out, cwd=tree, SOURCE_DATE_EPOCH=at)
    return sorted(out.glob("platelink-*"))


def release(out: Path, key: Path) -> None:
    usable(key)
    try:
        builder = version("hatchling")
    except PackageNotFoundError:
        raise Refused("hatchling is missing: pip install -c deploy/constraints.txt hatchling")  # noqa: B904
    name, at = commit()
    out.mkdir(parents=True, exist_ok=True)
    if any(out.iterdir()):
        raise Refused(f"{out} is not empty: name a new folder")
    made = build(name, at, out.resolve())
    sums = out / SUMS
    sums.write_text(
        "".join(f"{hashlib.sha256(one.read_bytes()).hexdigest()}  {one.name}\n" for one in made)
    )
    run("openssl", "pkeyutl", "-sign", "-rawin", "-inkey", key, "-in", sums.resolve(),
        "-out", f"{sums.resolve()}.sig")  # fmt: skip
    public = run("openssl", "pkey", "-in", key, "-pubout", "-outform", "DER")
    print(f"commit {name}, hatchling {builder}, Python {sys.version.split()[0]}")  # noqa: T201
    print(f"key    {hashlib.sha256(public).hexdigest()}")  # noqa: T201
    print(sums.read_text(), end="")  # noqa: T201


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("out", type=Path, help="a new folder")
    parser.add_argument("--key", type=Path, required=True, help="the key to sign with, a file")
    asked = parser.parse_args()
    try:
        release(asked.out, asked.key.resolve())
    except Refused as error:
        print(f"refused: {error}", file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
