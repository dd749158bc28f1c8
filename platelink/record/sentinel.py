"""Notices that the journal's files were cut, replaced or taken away while they are open.

SQLite does not: it writes on into what it has open, and what it acknowledges so is not there when
the file is opened next.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path

from platelink.record.schema import WAL_KEPT_BYTES

MAGIC = b"SQLite format 3\0"
_LOG_MAGIC = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")
_SALTS = slice(16, 24)
"""Of a write-ahead log's header: others whenever the log begins anew. Both by SQLite's own
description of its file format, section 4.1. Not the count before them, which each connection keeps
for itself."""


class Sentinel:
    """Looks are cheap: one after each commit. One thread, but for ``grown``.

    The file itself is held open for as long as SQLite has it: closing any descriptor of it would
    drop SQLite's locks."""

    def __init__(self, path: Path) -> None:
        self._path, self._wal = str(path), f"{path}-wal"
        self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        self._file = os.fstat(self._fd)
        self._size = self._file.st_size
        self._log_fd = -1
        self._log: os.stat_result | None = None
        self._log_size = self._uncut = 0
        self._log_salts = b""
        self._sizes = threading.Lock()
        """A size seen before the file grew is compared with none that was seen after it."""

    def close(self) -> None:
        """Once SQLite has closed the file."""
        for fd in (self._fd, self._log_fd):
            if fd >= 0:
                os.close(fd)
        self._fd = self._log_fd = -1

    def grown(self) -> None:
        """After the log was moved into the file, from any thread: it is never smaller again."""
        with self._sizes:
            self._size = max(self._size, os.fstat(self._fd).st_size)

    def look(self) -> str:
        """What is wrong; empty when nothing is."""
        try:
            with self._sizes:
                found = self._at_file()
            return found or self._at_log()
        except OSError as error:
            return f"{self._path} cannot be read ({error.strerror})"

    def _at_file(self) -> str:
        try:
            now = os.stat(self._path)
        except FileNotFoundError:
            return f"{self._path} is gone"
        if not os.path.samestat(now, self._file):
            return f"{self._path} was replaced by another file"
        if now.st_size < self._size:
            return f"{self._path} was cut from {self._size} to {now.st_size} bytes"
        self._size = now.st_size
        if os.pread(self._fd, len(MAGIC), 0) != MAGIC:
            return f"{self._path} was overwritten"
        return ""

    def _at_log(self) -> str:
        try:
            now = os.stat(self._wal)
        except FileNotFoundError:
            return "" if self._log is None else f"{self._wal} is gone"
        before = self._log
        if before is None:
            self._log_fd = os.open(self._wal, os.O_RDONLY | os.O_CLOEXEC)
        elif not os.path.samestat(now, before):
            return f"{self._wal} was replaced by another file"
        head = os.pread(self._log_fd, 24, 0)
        # When SQLite begins the log anew it says so in its head, waits for the disk, and then cuts
        # the log to its limit. The other thread may be at that now: this size may be of before it.
        begun = head[_SALTS] != self._log_salts
        if now.st_size < self._log_size and (not head or not begun):
            return f"{self._wal} was cut from {self._log_size} to {now.st_size} bytes"
        if head and not head.startswith(_LOG_MAGIC):
            return f"{self._wal} was cut or overwritten"  # and written on behind where it ended
        self._log, self._log_salts = now, head[_SALTS]
        if begun:
            self._uncut = now.st_size
        waits = now.st_size == self._uncut
        self._log_size = min(now.st_size, WAL_KEPT_BYTES) if waits else now.st_size
        return ""
