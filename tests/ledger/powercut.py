"""What a power cut leaves of the files of a process: its writing calls, logged by a shim beside
this file, replayed up to every one of them.

A disk keeps what was synced. Of the rest it may have kept all, nothing, or some of the writes, in
sectors and in any order; names (made, renamed, taken away) last when their directory was synced,
and go in order.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import NamedTuple

SECTOR = 512
MARK = "told"
"""A file of this name is none of the process's own: what is written to it was told to somebody."""


class Call(NamedTuple):
    name: str
    path: str
    other: str
    offset: int
    data: bytes


@cache
def shim() -> Path:
    """The shim, compiled once."""
    made = Path(mkdtemp()) / "powercut.so"
    source = Path(__file__).with_name("powercut.c")
    flags = ["-O1", "-Wall", "-Werror", "-shared", "-fPIC", "-o", str(made), str(source), "-ldl"]
    subprocess.run(["gcc", *flags], check=True)
    return made


def calls_of(script: str, place: Path, *arguments: str) -> list[Call]:
    """What this script writes below ``place``, its first argument."""
    log = place.with_name(place.name + ".log")
    place.mkdir()
    (place / MARK).touch()
    env = {**os.environ, "LD_PRELOAD": str(shim()), "POWERCUT_DIR": f"{place}",
           "POWERCUT_LOG": str(log), "PYTHONPATH": os.pathsep.join(sys.path)}  # fmt: skip
    subprocess.run([sys.executable, "-c", script, str(place), *arguments], env=env, check=True)
    return list(_read(log.read_bytes()))


def _read(log: bytes) -> Iterator[Call]:
    while log:
        line, _, log = log.partition(b"\n")
        name, path, other, offset, size = line.decode().split(" ")
        yield Call(name, path, other, int(offset), log[: int(size)])
        log = log[int(size) :]


Write = tuple[int, bytes | None]
"""Offset and bytes; None: the file ends there."""


def _apply(content: bytearray, write: Write) -> None:
    offset, data = write
    content.extend(bytes(max(0, offset - len(content))))
    if data is None:
        del content[offset:]
    else:
        content[offset : offset + len(data)] = data


@dataclass
class _File:
    kept: bytearray = field(default_factory=bytearray)
    pending: list[Write] = field(default_factory=list)

    def left(self, chosen: list[Write]) -> bytes:
        content = bytearray(self.kept)
        for write in chosen:
            _apply(content, write)
        return bytes(content)


Names = dict[str, _File]


class Disk:
    """Files as a process left them. ``told``: the newest mark."""

    def __init__(self) -> None:
        self.told = 0
        self._kept: Names = {}
        self._names: Names = {}
        self._pending: list[Call] = []
        self._files: dict[str, _File] = {}

    def take(self, call: Call, place: Path) -> None:
        """One call more."""
        if Path(call.path).name == MARK:
            self.told = int(call.data)
        elif call.name in ("create", "unlink", "rename"):
            if call.name == "create":
                self._files[call.path] = _File()
            self._pending.append(call)
            _name(self._names, call, self._files)
        elif call.name == "sync" and call.path == str(place):
            self._kept, self._pending = dict(self._names), []
        elif (file := self._names.get(call.path)) is None:
            pass  # a file that has lost its name
        elif call.name == "sync":
            file.kept, file.pending = bytearray(file.left(file.pending)), []
        else:
            file.pending.append((call.offset, None if call.name == "truncate" else call.data))

    def left(self, rng: random.Random) -> Iterator[dict[str, bytes]]:
        """What may be found afterwards: names and content."""
        yield {path: file.left(file.pending) for path, file in self._names.items()}
        yield {path: file.left([]) for path, file in self._kept.items()}
        names, files = dict(self._kept), dict(self._files)
        for call in self._pending[: rng.randint(0, len(self._pending))]:
            _name(names, call, files)
        yield {path: file.left(_some(file.pending, rng)) for path, file in names.items()}


def _name(names: Names, call: Call, files: dict[str, _File]) -> None:
    if call.name == "create":
        names[call.path] = files[call.path]
    elif call.name == "unlink":
        names.pop(call.path, None)
    elif call.path in names:
        names[call.other] = names.pop(call.path)


def _some(pending: list[Write], rng: random.Random) -> list[Write]:
    chosen: list[Write] = []
    for offset, data in pending:
        if data is None:
            chosen.append((offset, data))
            continue
        for start in range(0, len(data), SECTOR):
            if rng.random() < 0.5:
                chosen.append((offset + start, data[start : start + SECTOR]))
    return chosen


def power_cuts(calls: list[Call], place: Path, again: Path) -> Iterator[tuple[int, int, Path]]:
    """Every power cut that leaves something else: calls before it, what was told as kept by then,
    and a directory with the files left."""
    rng, disk, seen = random.Random(20260302), Disk(), set[int]()
    for number, call in enumerate(calls):
        disk.take(call, place)
        for kind, files in enumerate(disk.left(rng)):
            found = hash((disk.told, tuple(sorted(files.items()))))
            if found in seen:
                continue
            seen.add(found)
            directory = again / f"{number}-{kind}"
            directory.mkdir(parents=True)
            for path, content in files.items():
                (directory / Path(path).name).write_bytes(content)
            yield number, disk.told, directory
