"""The ballast beside the journal."""

from __future__ import annotations

import errno
import os
from pathlib import Path

BALLAST_BYTES = 8 << 20
"""Some thousand entries: far more than one run needs to come to its end."""
START_PART = 8
"""An eighth is not for runs: with it a daemon opens its journal on a full disk, time and again."""
START_BYTES = 128 << 10
"""What one opening takes: SQLite's shared index of the log, and its first pages."""


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
        """Set the space aside if there is room; False when there is not, and then what is there
        stays as it is."""
        if self.present():
            return True
        before = self._length()
        fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            os.posix_fallocate(fd, 0, self.size)
            return True
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise
            self._cut(before)  # some file systems leave the part for which there was room
            return False
        finally:
            os.close(fd)

    def release(self) -> bool:
        """Give the space up, but for what a start takes; False when there was no more."""
        return self._cut(self.size // START_PART)

    def release_start(self) -> bool:
        """Give up what one opening of the journal takes; False when there was none."""
        return self._cut(max(0, self._length() - START_BYTES))

    def _length(self) -> int:
        try:
            return self.path.stat().st_size
        except FileNotFoundError:
            return 0

    def _cut(self, length: int) -> bool:
        if length >= self._length() and length:
            return False
        try:
            if length:
                os.truncate(self.path, length)
            else:
                self.path.unlink()
        except FileNotFoundError:
            return False
        return True
