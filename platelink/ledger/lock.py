"""The lock that keeps a second writer out."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path

from platelink.ledger.kind import Fault, Kind
from platelink.ledger.private import handed


class WriterLock:
    """Held while a file is open for writing; the kernel frees it when the process dies.

    Not a lock on the file itself: closing any descriptor of that would drop SQLite's."""

    def __init__(self, file: Path, kind: Kind) -> None:
        path = file.with_name(file.name + ".lock")
        try:
            self._fd = handed(str(path), os.O_RDWR | os.O_CREAT)
        except FileNotFoundError as error:
            raise kind.error(Fault.NO_DIRECTORY, file) from error
        except OSError as error:
            raise kind.error(Fault.CLOSED_DIRECTORY, file, error.strerror) from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(self._fd, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(self._fd)
            raise kind.error(Fault.IN_USE, file, holder) from error
        self._write_pid()

    def _write_pid(self) -> None:
        """For the other side's error text only; a full disk must not keep the file shut."""
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise

    def release(self) -> None:
        """Let another writer in."""
        os.close(self._fd)


def held(file: Path) -> bool:
    """True while some process has the file open for writing."""
    try:
        fd = os.open(file.with_name(file.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False
