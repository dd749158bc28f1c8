"""A signed release in a folder: verified before anything of it is used, then unpacked."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from installer.machine import ETC, Refused, put, run, say

SUMS, SIGNATURE = "SHA256SUMS", "SHA256SUMS.sig"
KEPT = ETC / "release.pub"
"""The key of the first release that was installed so; no other is taken after it."""
LINE = re.compile(r"([0-9a-f]{64})  (platelink-[0-9][A-Za-z0-9.]*\.tar\.gz)")


def install_from(folder: Path, key: Path | None, words: Sequence[str]) -> int:
    """Let the installer of that release do the rest; its exit code."""
    if words and words[0] != "install":
        raise Refused(f"{words[0]}: after the folder stands 'install' with its parts and options, "
                      "before the folder --key")  # fmt: skip
    pinned = trusted(key)
    with tempfile.TemporaryDirectory(prefix="platelink-release-") as place:
        tree = unpacked(folder, pinned, Path(place))
        say("verified", f"{tree.name}, by the key {number(pinned)}")
        done = subprocess.run(  # noqa: S603 -- what has just been verified
            [sys.executable, tree / "deploy/install.py", *(words or ["install"])], check=False
        )
    if done.returncode == 0 and not KEPT.exists():
        put(KEPT, pinned.decode("ascii"))
        say("kept", f"{KEPT}: from now on this key is the only one that is taken")
    return done.returncode


def trusted(key: Path | None) -> bytes:
    """The public key to verify by: the one kept, which no other may replace."""
    kept = KEPT.read_bytes() if KEPT.exists() else None
    if key is None and kept is None:
        raise Refused("name the public key of the releases: --key release.pub; get it by another "
                      "way than the release")  # fmt: skip
    try:
        told = key.read_bytes() if key is not None else kept
    except OSError as error:
        raise Refused(f"{key}: {error.strerror}") from None
    assert told is not None
    its = number(told)
    if kept is not None and its != number(kept):
        raise Refused(f"{key} is not the key of the releases before ({KEPT}). Where it was really "
                      f"changed, and you know it from somebody, remove {KEPT} first")  # fmt: skip
    return told


def number(key: bytes) -> str:
    """By which people compare a key: SHA-256 of its DER form."""
    body = re.search(rb"-----BEGIN PUBLIC KEY-----((?:\s*[A-Za-z0-9+/=]{4})+)\s*-----END", key)
    if body is None:
        raise Refused("no public key in PEM form, as openssl pkey -pubout writes it")
    return hashlib.sha256(base64.b64decode(body[1])).hexdigest()


def unpacked(folder: Path, key: bytes, place: Path) -> Path:
    """The tree of the release, from copies that nobody changes after they were verified."""
    if shutil.which("openssl") is None:
        raise Refused("openssl is missing, and nothing is installed unverified: "
                      "apt-get install openssl")  # fmt: skip
    (place / "key").write_bytes(key)
    for name in (SUMS, SIGNATURE):
        copy(folder, name, place)
    checked = run("openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", place / "key",
                  "-in", place / SUMS, "-sigfile", place / SIGNATURE, check=False)  # fmt: skip
    if checked.returncode:
        raise Refused(f"{folder}: {SUMS} is not signed by this key; nothing was installed. Get the "
                      "release again, and ask who made it")  # fmt: skip
    lines = (place / SUMS).read_text("ascii").splitlines()
    found = [line for line in map(LINE.fullmatch, lines) if line]
    if len(found) != 1:
        raise Refused(f"{folder}: {SUMS} names {len(found)} archives of platelink, not one")
    wanted, name = found[0].groups()
    copy(folder, name, place)
    if hashlib.sha256((place / name).read_bytes()).hexdigest() != wanted:
        raise Refused(
            f"{folder / name} is not what was signed; nothing was installed. Get it again"
        )
    run("tar", "--no-same-owner", "-xzf", place / name, "-C", place)
    return place / name.removesuffix(".tar.gz")


def copy(folder: Path, name: str, place: Path) -> None:
    try:
        shutil.copyfile(folder / name, place / name)
    except OSError as error:
        raise Refused(f"{folder / name}: {error.strerror}; a release is the archive, {SUMS} and "
                      f"{SIGNATURE}") from None  # fmt: skip
