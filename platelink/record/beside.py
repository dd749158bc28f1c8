"""Files beside the journal: the lock that keeps a second writer out, and the ballast."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path

from platelink.record.errors import JournalInUse, JournalMissing, JournalReadOnly

BALLAST_BYTES = 8 << 20
"""Some thousand entries: far more than one run needs to come to its end."""


class WriterLock:
    """Held while the journal is open for writing; the kernel frees it when the process dies.

    Not a lock on the journal itself: closing any descriptor of that file would drop SQLite's."""

    def __init__(self, journal: Path) -> None:
        path = journal.with_name(journal.name + ".lock")
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except FileNotFoundError as error:
            raise JournalMissing(
                f"{journal.parent} does not exist; create the directory or correct the path"
            ) from error
        except OSError as error:
            raise JournalReadOnly(
                f"cannot write in {journal.parent} ({error.strerror}); give this user the right "
                "to write there, or configure another journal path"
            ) from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(self._fd, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(self._fd)
            raise JournalInUse(
                f"{journal} is being written by another process (pid {holder}); one unit has one "
                "daemon: stop that one, or configure another journal path"
            ) from error
        self._write_pid()

    def _write_pid(self) -> None:
        """For the other side's error text only; a full disk must not keep the journal shut."""
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise

    def release(self) -> None:
        """Let another writer in."""
        os.close(self._fd)


class Ballast:
    """Disk space kept aside, given up so that a run on a full disk can be told to its end."""

    def __init__(self, journal: Path, size: int = BALLAST_BYTES) -> None:
        self.path = journal.with_name(journal.name + ".ballast")
        self.size = size

    def present(self) -> bool:
        """True when all of it is there."""
        try:
            return self.path.stat().st_blocks * 512 >= self.size
        except FileNotFoundError:
            return False

    def ensure(self) -> bool:
        """Set the space aside if there is room; False when there is not."""
        if self.present():
            return True
        fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            os.posix_fallocate(fd, 0, self.size)
            return True
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise
            self.path.unlink()  # part of a ballast only takes room from the journal
            return False
        finally:
            os.close(fd)

    def release(self) -> bool:
        """Give the space up; False when there was none."""
        try:
            self.path.unlink()
        except FileNotFoundError:
            return False
        return True
