"""The simulated unit as a real serial device: ``python -m platesim.ptyunit``.

Opens a pseudo-terminal, prints the path to open on the first line of standard output and paces the
unit's virtual time against the monotonic clock. Orders come on standard input, one JSON object a
line (see ``orders``), and are answered on standard output, one line each. Where standard input is a
pipe the unit ends with it.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import select
import signal
import stat
import sys
import termios
import time
import tty
from pathlib import Path

from platesim.avrboard import AvrBoard
from platesim.board import BoardError, BoardFactory, HostBoard
from platesim.orders import obey
from platesim.scenarios import SCENARIOS, build
from platesim.unit import SimulatedUnit

BOARDS: dict[str, BoardFactory] = {"host": HostBoard, "avr": AvrBoard}
GRAIN_S = 0.005
"""Real time between two looks at the unit."""
_LONGEST_STEP_S = 0.25
"""After a longer pause (stopped, suspended) the missing time is left out, not raced through."""


class PtyPort:
    """A pseudo-terminal whose other end comes and goes. Never blocks; like a real port it drops
    what is sent while nobody listens."""

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._fd = -1
        self.path = ""

    def open(self) -> None:
        """A new terminal; the link, if any, points to it."""
        self._fd, client = os.openpty()
        tty.setraw(client, termios.TCSANOW)  # before anyone listens: an echo would answer us
        self.path = os.ttyname(client)
        os.close(client)
        os.set_blocking(self._fd, False)
        if self._link is not None:
            fresh = self._link.with_name(f".{self._link.name}.{os.getpid()}")
            fresh.symlink_to(self.path)
            fresh.replace(self._link)

    def close(self) -> None:
        """Unplug: a client gets end of file or EIO."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
            if self._link is not None:
                self._link.unlink(missing_ok=True)

    @property
    def is_open(self) -> bool:
        return self._fd >= 0

    def wait_on(self) -> int | None:
        """Descriptor to wait for bytes on; None while no client has the other end (a hang-up would
        end every wait at once)."""
        if self._fd < 0:
            return None
        poll = select.poll()
        poll.register(self._fd, select.POLLIN)
        ready = poll.poll(0)
        gone = bool(ready) and ready[0][1] & select.POLLHUP and not ready[0][1] & select.POLLIN
        return None if gone else self._fd

    def read(self) -> bytes:
        """Bytes from the client; none is no error."""
        if self._fd < 0:
            return b""
        try:
            return os.read(self._fd, 65536)
        except OSError as error:
            if error.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def write(self, data: bytes) -> None:
        """Bytes to the client; what does not fit is dropped."""
        if self._fd >= 0 and data and self.wait_on() is not None:
            try:
                os.write(self._fd, data)
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EAGAIN):
                    raise


class Orders:
    """Lines from standard input."""

    def __init__(self, fd: int) -> None:
        self._fd: int | None = fd
        self._ends_us = stat.S_ISFIFO(os.fstat(fd).st_mode)
        self._rest = b""
        self.ended = False
        """Standard input was a pipe and is closed."""

    def wait_on(self) -> int | None:
        """Descriptor to wait for lines on."""
        return self._fd

    def read(self) -> list[str]:
        """Whole lines, once the descriptor is readable."""
        assert self._fd is not None
        data = os.read(self._fd, 65536)
        if not data:
            self._fd = None
            self.ended = self._ends_us
        *lines, self._rest = (self._rest + data).split(b"\n")
        return [line.decode(errors="replace") for line in lines if line.strip()]


def serve(unit: SimulatedUnit, port: PtyPort, orders: Orders, *, speed: float) -> None:
    """Run the unit until its orders end. The one place here that looks at a clock."""
    last = time.monotonic()
    while not orders.ended:
        waiting = [fd for fd in (port.wait_on(), orders.wait_on()) if fd is not None]
        ready = select.select(waiting, [], [], GRAIN_S)[0]
        now = time.monotonic()
        unit.advance(min(now - last, _LONGEST_STEP_S) * speed)
        last = now
        if orders.wait_on() in ready:
            for line in orders.read():
                say(json.dumps(obey(unit, line)))
        unit.write(port.read())
        if unit.plugged != port.is_open:
            _replug(unit, port)
        port.write(unit.read())


def _replug(unit: SimulatedUnit, port: PtyPort) -> None:
    if unit.plugged:
        port.open()
        say(json.dumps({"path": port.path}))
    else:
        port.close()


def say(line: str) -> None:
    """One line to whoever started us."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(arguments: list[str] | None = None) -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m platesim.ptyunit", description=__doc__)
    parser.add_argument("--speed", type=float, default=1.0, help="virtual seconds a second")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenario", choices=sorted(SCENARIOS), default="faded")
    parser.add_argument(
        "--board", choices=BOARDS, default="host", help="avr: the firmware on a simulated chip"
    )
    parser.add_argument("--link", type=Path, help="symbolic link that follows the terminal's path")
    options = parser.parse_args(arguments)
    if not options.speed > 0.0:
        parser.error(f"--speed is {options.speed}, must be above 0")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    port = PtyPort(options.link)
    try:
        unit = build(options.scenario, options.seed, BOARDS[options.board])
    except BoardError as error:
        sys.exit(str(error))
    port.open()
    try:
        say(port.path)
        serve(unit, port, Orders(sys.stdin.fileno()), speed=options.speed)
    except (KeyboardInterrupt, BrokenPipeError):
        pass
    finally:
        port.close()
        unit.board.close()


if __name__ == "__main__":
    main()
