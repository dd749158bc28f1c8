"""The thread that writes the tape of the core's inputs: the control loop never waits for it."""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from platelink import __version__
from platelink.control.contact.past import Told
from platelink.daemon.worker import Worker
from platelink.events.unit import InputsTaped
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent
from platelink.tape.calls import Held
from platelink.tape.files import (
    RAW,
    Beginning,
    TapeError,
    begin_part,
    head_of,
    is_packed,
    next_name,
    pack_part,
    part_path,
    section,
    tapes,
)
from platelink.tape.inputs import Kind, pack
from platelink.unit.outputs import (
    PLATE_SNAPSHOT,
    CoreOutput,
    EventNoted,
    RunClosed,
    Snapshots,
)
from platelink.unit.stamp import Stamp

ROUND_S = 1.0
"""How often it writes, real seconds: so much is lost with the process."""
PART_BYTES = 6_000_000
"""As they come; about as many inputs as a plate has."""
LEFT_BYTES = 100_000_000
"""Of the disk, for the record: then the tape ends."""
WAITING_BYTES = 1 << 26
"""What waits for a disk that takes nothing; then the tape ends."""

log = logging.getLogger("platelink.daemon")


class Taping(Worker):
    """``put`` from the control loop, ``begin`` before it, ``stop`` after it, which returns once all
    that was put is written.

    A tape is no record: where it cannot be written it ends, the log says why, and the unit is
    served on. ``most_bytes``: the oldest tapes go when all together are longer; 0: there are none.
    """

    def __init__(
        self, folder: Path = Path(), most_bytes: int = 0, unit: str = "",
        config: str = "",
        held: Callable[[], Held] = lambda: {}, *, part_bytes: int = PART_BYTES,
    ) -> None:  # fmt: skip
        super().__init__("tape")
        self.on = most_bytes > 0
        self.tape = ""
        self.fault = ""
        self.quiet: Callable[[], bool] = lambda: True
        self._unit, self._config, self._held = unit, config, held
        self._folder, self._most, self._part_bytes = folder, most_bytes, part_bytes
        self._queue: deque[bytes] = deque()
        self._waiting = self._count = 0
        self._hash = hashlib.sha256()
        self._part = self._written = 0
        self._done: set[Path] = set()

    def begin(
        self, record: JournalReader, at: Stamp, told: Sequence[RunEvent], contact: Sequence[Told]
    ) -> None:
        """Write what the core begins with. The process serves on without a tape where it cannot."""
        if not self.on:
            return
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            self.tape = next_name(self._folder)
            begun = Beginning(
                self.tape, self._unit, record.uuid, record.last_number(), __version__, *at,
                self._config, self._held(), tuple(told), tuple(contact),
            )  # fmt: skip
            begin_part(self._path(), head_of(begun))
        except OSError as error:
            self._give_up(str(error.strerror))

    def start(self) -> None:
        """Once."""
        if self.on:
            super().start()

    def put(self, kind: Kind, at: Stamp, body: bytes) -> None:
        """One record."""
        if self.fault:
            return
        data = pack(kind, at, body)
        self._hash.update(data)
        self._count += 1
        self._waiting += len(data)
        self._queue.append(data)
        if self._waiting > WAITING_BYTES:
            self._give_up("too much waits to be written")

    def told(self, outputs: tuple[CoreOutput, ...]) -> tuple[CoreOutput, ...]:
        """With how far the tape is, in the record of each plate that they close: it is sealed
        there."""
        if not self.on or self.fault or not any(isinstance(o, RunClosed) for o in outputs):
            return outputs
        ended = {
            name.removeprefix(PLATE_SNAPSHOT)
            for output in outputs if isinstance(output, Snapshots)
            for name, value in output.values.items() if value is None
        }  # fmt: skip
        told: list[CoreOutput] = []
        for output in outputs:
            if isinstance(output, RunClosed) and output.run_id in ended:
                taped = InputsTaped(self.tape, self._count, self._hash.hexdigest())
                told.append(EventNoted(output.run_id, output.at_utc_ms, taped, ""))
            told.append(output)
        return tuple(told)

    def _give_up(self, why: str) -> None:
        self.fault = f"inputs are not taped: {self._folder}: {why}"
        log.warning("%s", self.fault)

    def _path(self) -> Path:
        return part_path(self._folder, self.tape, self._part)

    def _run(self) -> None:
        last = False
        while not last:
            last = self._end.wait(ROUND_S)
            self._write()
            if not last:
                with suppress(OSError, InterruptedError):
                    self._tidy()

    def _write(self) -> None:
        found: list[bytes] = []
        with suppress(IndexError):
            while True:
                found.append(self._queue.popleft())
        data = b"".join(found)
        self._waiting -= len(data)
        if self.fault or not data:
            return
        try:
            if shutil.disk_usage(self._folder).free < LEFT_BYTES:
                self._give_up("the space left is for the record")
                return
            if self._written > self._part_bytes:
                self._part, self._written = self._part + 1, 0
                begin_part(self._path(), None)
            with self._path().open("ab") as file:
                file.write(section(RAW, data))
            self._written += len(data)
        except OSError as error:
            self._give_up(str(error.strerror))

    def _tidy(self) -> None:
        """Pack one part that is written no more; let the oldest tapes go."""
        self._look()
        there = tapes(self._folder)
        mine = self._path()
        loose = [
            path for tape in there for path in tape.parts
            if path != mine and path not in self._done
        ]  # fmt: skip
        for path in loose:
            try:
                if not is_packed(path):
                    pack_part(path, self._look)
                    break
            except TapeError:  # whoever replays it says so
                pass
            self._done.add(path)
        others = [tape for tape in there if tape.name != self.tape]
        while others and sum(tape.bytes() for tape in there) > self._most:
            oldest = others.pop(0)
            there.remove(oldest)
            for path in reversed(oldest.parts):
                os.unlink(path)

    def _look(self) -> None:
        if self._end.is_set() or not self.quiet():
            raise InterruptedError
