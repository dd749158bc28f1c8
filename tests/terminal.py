"""A command on a pseudo-terminal, as a person uses it."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import termios
import time

LOOK_S = 60.0


class Terminal:
    """A command on a terminal of its own."""

    def __init__(self, *arguments: str) -> None:
        self._fd, inner = pty.openpty()
        termios.tcsetwinsize(self._fd, (40, 110))
        self.child = subprocess.Popen(
            [sys.executable, "-m", "platelink", *arguments],
            stdin=inner, stdout=inner, stderr=inner, start_new_session=True,
            env=os.environ | {"TERM": "xterm"},
        )  # fmt: skip
        os.close(inner)
        self.text = ""
        self._from = 0

    def until(self, pattern: str) -> str:
        """Read until this is on the screen, after what was waited for before."""
        found = self.seen(pattern, LOOK_S)
        assert found is not None, f"no {pattern!r} in:\n{self.text[-3000:]}"
        return found

    def seen(self, pattern: str, within_s: float) -> str | None:
        """The same, None where it does not come."""
        end = time.monotonic() + within_s
        while (found := re.compile(pattern).search(self.text, self._from)) is None:
            if time.monotonic() > end:
                return None
            assert self._read() or self.child.poll() is None, f"it ended:\n{self.text[-3000:]}"
        self._from = found.end()
        return found[0]

    def _read(self) -> bool:
        if not select.select([self._fd], [], [], 0.2)[0]:
            return False
        try:
            data = os.read(self._fd, 65536)
        except OSError:  # the other end is closed
            return False
        self.text += data.decode("utf-8", "replace")
        return bool(data)

    def press(self, keys: str) -> None:
        os.write(self._fd, keys.encode())

    def end(self) -> int:
        while self.child.poll() is None:
            self._read()
        while self._read():
            pass
        os.close(self._fd)
        return self.child.returncode
