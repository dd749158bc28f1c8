"""Single keys of a terminal, and the status line at its foot."""

from __future__ import annotations

import os
import select
import shutil
import sys
import termios
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import click


class Keyboard:
    """``with Keyboard() as keys``: keys come one by one, without echo, until the block ends."""

    def __enter__(self) -> Keyboard:
        self._fd = sys.stdin.fileno()
        self._before = termios.tcgetattr(self._fd)
        tty.setcbreak(self._fd)
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()
        termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)

    def key(self, wait_s: float) -> str | None:
        """The next key, if one comes in this time. What follows an escape is left out; the end of
        the input, as when the terminal is gone, is the key q."""
        if not select.select([self._fd], [], [], wait_s)[0]:
            return None
        key = os.read(self._fd, 1).decode("ascii", "replace")
        if key == "\x1b":
            termios.tcflush(self._fd, termios.TCIFLUSH)
            return None
        return key or "q"

    @contextmanager
    def lines(self) -> Iterator[None]:
        """Within it the terminal takes whole lines, with echo. Keys typed before are dropped, so
        that none of them answers a question that was not yet asked."""
        self.clear()
        termios.tcflush(self._fd, termios.TCIFLUSH)
        termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)
        try:
            yield
        finally:
            tty.setcbreak(self._fd)

    def print_line(self, text: str) -> None:
        """A line that stays."""
        self.clear()
        click.echo(text)

    def print_status(self, text: str) -> None:
        """The line at the foot, cut to the terminal."""
        width = shutil.get_terminal_size().columns - 1
        click.echo(f"\r\x1b[K{text[:width]}", nl=False)

    def clear(self) -> None:
        """Take the line at the foot away."""
        click.echo("\r\x1b[K", nl=False)
