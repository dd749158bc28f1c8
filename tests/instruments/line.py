"""A line between two pseudo terminals, on which a test can do what a bad cable does."""

from __future__ import annotations

import os
import pty
import select
import threading
import tty
from collections.abc import Callable
from types import TracebackType

Change = Callable[[bytes], bytes]


class Line:
    """``host`` and ``far`` are the ends to open. ``there`` and ``back`` say what becomes of bytes
    on their way; ``answer`` says what comes back of itself, in the place of whoever is there."""

    def __init__(self) -> None:
        (self._near, self._slave), (self._away, self._far) = pty.openpty(), pty.openpty()
        for fd in (self._near, self._slave, self._away, self._far):
            tty.setraw(fd)
        self.host, self.far = os.ttyname(self._slave), os.ttyname(self._far)
        self.there: Change = lambda data: data
        self.back: Change = lambda data: data
        self.answer: Change | None = None
        self.sent = b""
        """All that the host sent."""
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._carry, daemon=True)

    def __enter__(self) -> Line:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        os.write(self._stop_write, b"x")
        self._thread.join()
        for fd in (
            self._near, self._slave, self._away, self._far, self._stop_read, self._stop_write
        ):  # fmt: skip
            os.close(fd)

    def _carry(self) -> None:
        while True:
            ready, _, _ = select.select([self._near, self._away, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            if self._near in ready:
                data = os.read(self._near, 4096)
                self.sent += data
                if self.answer is not None:
                    os.write(self._near, self.answer(data))
                else:
                    os.write(self._away, self.there(data))
            if self._away in ready:
                os.write(self._near, self.back(os.read(self._away, 4096)))
