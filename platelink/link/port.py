"""The serial port on an asyncio loop. The only file that imports pyserial.

One file descriptor, no threads: readable bytes go to ``on_data``; end of file or any error means
the port is lost, said once through ``on_lost``. Writing never blocks.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import os
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import serial
from serial.tools import list_ports

READ_SIZE = 65536
MAX_UNSENT = 16384
"""Bytes kept for a port that does not take them: 1.4 s at 115200 baud. More is discarded and
counted; the session sends again what matters."""


class PortError(Exception):
    """The port cannot be used; the text says what to do."""


class PortMissing(PortError):  # noqa: N818 - says what is wrong
    """There is no such device."""


class PortBusy(PortError):  # noqa: N818
    """Another program has the port."""


class PortRefused(PortError):  # noqa: N818
    """This user may not open the port."""


class Port:
    """A serial port, or the slave side of a pty. ``open`` and the callbacks belong to the thread
    of the running loop."""

    def __init__(
        self,
        path: str,
        *,
        baud: int = 115200,
        on_data: Callable[[bytes], None],
        on_lost: Callable[[str], None],
    ) -> None:
        self.path = path
        self.baud = baud
        self.dropped = 0
        """Bytes that were not sent because the port took none."""
        self._on_data, self._on_lost = on_data, on_lost
        self._serial: serial.Serial | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._fd = -1
        self._unsent = bytearray()
        self._writing = False

    @property
    def is_open(self) -> bool:
        return self._serial is not None

    def open(self) -> None:
        """Take the port for this process alone. Raises ``PortMissing``, ``PortBusy``,
        ``PortRefused`` or ``PortError``."""
        loop = asyncio.get_running_loop()
        if self._serial is not None:
            raise RuntimeError(f"{self.path} is open already")
        try:
            port = serial.Serial(self.path, self.baud, timeout=0, write_timeout=0, exclusive=True)
        except (OSError, ValueError) as error:
            raise explain(self.path, error) from error
        self._serial, self._loop, self._fd = port, loop, port.fileno()
        try:
            _claim(self._fd)
        except (OSError, termios.error) as error:
            self.close()
            raise explain(self.path, error) from error
        loop.add_reader(self._fd, self._readable)

    def write(self, data: bytes) -> None:
        """Send as soon as the port takes it; never blocks."""
        if self._serial is None or not data:
            return
        free = MAX_UNSENT - len(self._unsent)
        if len(data) > free:
            self.dropped += len(data)
            return
        self._unsent += data
        if not self._writing:
            self._writable()

    def close(self) -> None:
        """Give the port back; nothing more is called."""
        port, self._serial = self._serial, None
        if port is None:
            return
        assert self._loop is not None
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._writing = False
        self._unsent.clear()
        with contextlib.suppress(OSError, termios.error):  # gone already
            # else the kernel may wait half a minute for bytes that nobody takes
            termios.tcflush(self._fd, termios.TCOFLUSH)
        with contextlib.suppress(OSError, termios.error):
            port.close()

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lose(f"reading {self.path} failed: {error.strerror}")
            return
        if data:
            self._on_data(data)
        else:
            self._lose(f"{self.path} hung up (unplugged?)")

    def _writable(self) -> None:
        try:
            sent = os.write(self._fd, self._unsent)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError as error:
            self._lose(f"writing {self.path} failed: {error.strerror}")
            return
        del self._unsent[:sent]
        assert self._loop is not None
        if self._unsent and not self._writing:
            self._loop.add_writer(self._fd, self._writable)
        elif self._writing and not self._unsent:
            self._loop.remove_writer(self._fd)
        self._writing = bool(self._unsent)

    def _lose(self, reason: str) -> None:
        self.close()
        self._on_lost(reason)


def _claim(fd: int) -> None:
    """Keep others off the port, and the device running when this program ends.

    pyserial's lock (flock) stops only programs that ask for it; TIOCEXCL stops every later
    ``open``. A pty would keep that mark after a crash, for as long as its other end lives, so
    there the lock must do. Without HUPCL closing the port drops no DTR line, which on many boards
    is wired to reset: the device lives on while the host restarts."""
    settings = termios.tcgetattr(fd)
    settings[2] &= ~termios.HUPCL
    termios.tcsetattr(fd, termios.TCSANOW, settings)
    if not os.ttyname(fd).startswith("/dev/pts/"):
        fcntl.ioctl(fd, termios.TIOCEXCL)


def explain(path: str, error: Exception, *, setting: str = "[link] port") -> PortError:
    """What an error at opening means, and what to do about it; ``setting`` is what names it."""
    code = getattr(error, "errno", None)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR):
        return PortMissing(
            f"there is no device at {path}; ports found: {found_ports()}; "
            f"plug the unit in or correct {setting}"
        )
    if code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
        return PortBusy(f"{path} is in use by {holder(path)}; stop that program first")
    if code in (errno.EACCES, errno.EPERM):
        return PortRefused(
            f"no permission to open {path}; add this user to the group that owns it "
            f"(sudo usermod -aG dialout {os.environ.get('USER', 'USER')}, then log in again)"
        )
    if code in (errno.EISDIR, errno.ENOTTY) or "configure port" in str(error):
        return PortError(
            f"{path} is no serial port; ports found: {found_ports()}; correct the port in the "
            "configuration"
        )
    return PortError(f"{path} cannot be opened: {error}")


def why_closed(path: str, baud: int, *, parity: str, stop_bits: int, section: str) -> str:
    """Why another library cannot open a port with these settings of ``section``; what to do."""
    try:
        serial.Serial(path, baud, parity=parity, stopbits=stop_bits, exclusive=True).close()
    except termios.error:
        return (
            f"{path} does not take {baud} bit/s with this parity and these stop bits; correct them "
            f"in {section}, or use another adapter"
        )
    except (OSError, ValueError) as error:
        return str(explain(path, error, setting=f"{section} port"))
    return f"{path} could not be opened just now; it is tried again"


def found_ports() -> str:
    """The serial ports of this computer, for people."""
    ports = [f"{port.device} ({port.description})" for port in list_ports.comports()]
    return ", ".join(sorted(ports)) or "none"


def _open_files() -> Iterator[Path]:
    """Of all processes; one may end while it is looked at."""
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            yield from tuple((process / "fd").iterdir())


def holder(path: str) -> str:
    """Which other process has the port open, as far as /proc tells."""
    wanted = os.path.realpath(path)
    me = os.getpid()
    found: list[str] = []
    for link in _open_files():
        try:
            if str(link.readlink()) != wanted:
                continue
            pid = link.parts[2]
            name = Path("/proc", pid, "comm").read_text(encoding="utf-8").strip()
        except OSError:
            continue  # ended meanwhile, or another user's
        text = f"{name} (process {pid})" if int(pid) != me else f"this program (process {pid})"
        if text not in found:
            found.append(text)
    return ", ".join(found) or "another program (which one, only root can see)"
