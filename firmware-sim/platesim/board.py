"""The firmware's host board: the C core as a native library, stepped tick by tick.

``build`` compiles it once with the system's C compiler and keeps it in the user's cache.
``HostBoard`` is one device: no clock of its own, time passes only in ``step``.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import platform
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from platelink.link.messages import Capability, Input, ResetCause

ANALOG_CHANNELS: Final = 8
"""Columns of one reading: four light channels, vacuum, oven, head temperature, bandgap."""
INPUTS_SAFE: Final = int(Input.INTERLOCK_CLOSED | Input.STOP_RELEASED)
ALL_CAPABILITIES: Final = (
    Capability.VACUUM | Capability.OVEN | Capability.HEAD_TEMPERATURE | Capability.LAMP_OUTPUT
)
_FLAGS: Final = (
    "-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-Wconversion", "-fPIC", "-shared",
)  # fmt: skip
_MOST_TICKS: Final = (1 << 24) - 1
_ROW_BYTES: Final = ANALOG_CHANNELS * 2


class LightLimits(NamedTuple):
    """Limits of light that a board may be built with instead of the firmware's own, in ticks."""

    order: int
    hour_lit: int
    hour: int
    """A multiple of twelve."""

    def options(self) -> tuple[str, ...]:
        """What says so to the compiler."""
        return (
            f"-DPL_ORDER_TICKS_MAX={self.order}u",
            f"-DPL_HOUR_LIT_MAX={self.hour_lit}u",
            f"-DPL_HOUR_TICKS={self.hour}u",
        )


class Board(Protocol):
    """A device as its surroundings see it; see ``HostBoard`` for each word."""

    outputs: int

    @property
    def tick(self) -> int: ...
    @property
    def boot_id(self) -> int: ...
    def step(self, analog: NDArray[np.uint16], inputs: int) -> int: ...
    def run(self, analog: NDArray[np.uint16], first: int, most: int, inputs: int) -> int: ...
    def receive(self, data: bytes) -> None: ...
    def transmit(self) -> bytes: ...
    def reset(self, cause: ResetCause) -> None: ...
    def close(self) -> None: ...


class BoardFactory(Protocol):
    """Switches on a board."""

    def __call__(
        self, *, light_channels: int, adc_bits: int, boot_id: int, capabilities: Capability
    ) -> Board: ...


class BoardError(Exception):
    """The board cannot be had."""


class CompilerMissing(BoardError):  # noqa: N818 - says what is wrong
    """There is no C compiler on this machine."""

    def __init__(self) -> None:
        super().__init__(
            "the simulated device is C and is compiled once, but there is no 'cc' on the PATH; "
            "install one: sudo apt install -y gcc libc6-dev"
        )


class CompilerFailed(BoardError):  # noqa: N818
    """The C compiler refused the firmware."""


def firmware_dir() -> Path:
    """The firmware's C sources: beside this file when installed, else in the checkout."""
    here = Path(__file__).resolve().parent
    for found in (here / "firmware", here.parent / "firmware"):
        if (found / "core" / "pl_core.h").exists():
            return found
    raise BoardError(f"the firmware's sources are missing: looked in {here} and {here.parent}")


def _compiler() -> tuple[Path, str]:
    """Path of the C compiler and what tells it from another one."""
    found = shutil.which("cc")
    if found is None:
        raise CompilerMissing
    path = Path(found).resolve()
    stat = path.stat()
    return path, f"{path} {stat.st_size} {stat.st_mtime_ns} {platform.machine()}"


def _digest(root: Path, files: list[Path], compiler: str, flags: tuple[str, ...]) -> str:
    digest = hashlib.sha256(f"{compiler} {flags}".encode())
    for path in files:
        digest.update(f"\n{path.relative_to(root)}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:20]


def _own_dir(path: Path) -> bool:
    """Make a directory if needed; whether it is ours alone to write in: what lies there is run."""
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
        stat = path.lstat()
    except OSError:
        return False
    mine = stat.st_uid == os.getuid() and not path.is_symlink() and not stat.st_mode & 0o022
    return mine and os.access(path, os.W_OK | os.X_OK)


def cache_dir(name: str) -> Path:
    """A directory for one build: in the cache, else in a per-user temporary directory."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    if _own_dir(cache / "platelink" / name):
        return cache / "platelink" / name
    temporary = Path(tempfile.gettempdir()) / f"platelink-{os.getuid()}"
    if _own_dir(temporary) and _own_dir(temporary / name):
        return temporary / name
    return Path(tempfile.mkdtemp(prefix="platelink-"))


def build(limits: LightLimits | None = None) -> Path:
    """Path of the native library, compiled now if these sources never were.

    Raises ``CompilerMissing`` or ``CompilerFailed``. Safe when several processes build at once.
    """
    root = firmware_dir()
    sources = [*sorted((root / "core").glob("*.c")), *sorted((root / "board/host").glob("*.c"))]
    headers = [*sorted((root / "core").glob("*.h")), *sorted((root / "board/host").glob("*.h"))]
    compiler, identity = _compiler()
    flags = _FLAGS + (limits.options() if limits else ())
    directory = cache_dir(_digest(root, sources + headers, identity, flags))
    library = directory / "libplboard.so"
    if library.exists():
        return library
    handle, unfinished = tempfile.mkstemp(dir=directory, suffix=".so")
    os.close(handle)
    command = [str(compiler), *flags, f"-I{root / 'core'}", f"-I{root / 'board/host'}",
               *map(str, sources), "-o", unfinished]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    if done.returncode != 0:
        Path(unfinished).unlink()
        raise CompilerFailed(f"{' '.join(command)}\nended with {done.returncode}:\n{done.stderr}")
    Path(unfinished).rename(library)
    return library


@functools.cache
def _load(limits: LightLimits | None = None) -> ctypes.PyDLL:
    """The library with its signatures. Calls are short, so the interpreter lock is kept."""
    lib = ctypes.PyDLL(str(build(limits)))
    pointer, u32, u64 = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
    for name, result, arguments in (
        ("pl_host_size", u32, []),
        ("pl_host_core_size", u32, []),
        ("pl_host_start", u64, [pointer, pointer]),
        ("pl_host_step", u64, [pointer, pointer, u32, u32]),
        ("pl_host_run", u64, [pointer, pointer, u32, u32]),
        ("pl_host_receive", u64, [pointer, ctypes.c_char_p, u32]),
        ("pl_host_wire", pointer, [pointer]),
        ("pl_host_fetched", None, [pointer]),
        ("pl_host_tick", u32, [pointer]),
        ("pl_host_guard_at", u32, []),
        ("pl_host_forget", None, [pointer]),
    ):
        function = getattr(lib, name)
        function.restype, function.argtypes = result, arguments
    return lib


def core_size() -> int:
    """Bytes of one device's state as compiled for this machine."""
    return int(_load().pl_host_core_size())


class HostBoard:
    """One simulated device. The caller is its clock, its converters and its serial line.

    ``outputs`` is the mask of the output pins (bit ``1 << Output``) after the last call. A device
    begins with both inputs taken for open; they count as closed after 20 closed ticks.
    """

    def __init__(
        self,
        *,
        light_channels: int = 1,
        adc_bits: int = 10,
        boot_id: int = 1,
        reset_cause: ResetCause = ResetCause.POWER_ON,
        capabilities: Capability = ALL_CAPABILITIES,
        start_tick: int = 0,
        limits: LightLimits | None = None,
    ) -> None:
        """Switch on; Hello and the BOOT event wait in ``transmit``. The first tick is
        ``start_tick + 1`` (mod 2^32)."""
        lib = _load(limits)
        self._state = (ctypes.c_uint64 * (lib.pl_host_size() // 8 + 1))()
        self._at = ctypes.addressof(self._state)
        self._wire_at: int = lib.pl_host_wire(self._at)
        self._lib = lib
        self._step = lib.pl_host_step
        self._run = lib.pl_host_run
        self._block: NDArray[np.uint16] | None = None
        self._block_at = 0
        self._waiting = 0
        self.outputs = 0
        self.boot_id = boot_id & 0xFFFFFFFF
        self._fixed = (light_channels, adc_bits, int(capabilities))
        self._start(reset_cause, start_tick & 0xFFFFFFFF)

    def _start(self, cause: ResetCause, tick: int) -> None:
        config = (ctypes.c_uint32 * 6)(*self._fixed, int(cause), self.boot_id, tick)
        self._take(self._lib.pl_host_start(self._at, ctypes.addressof(config)))

    def _take(self, status: int) -> int:
        self._waiting = status >> 32
        self.outputs = status >> 24 & 0xFF
        return status & 0xFFFFFF

    def step(self, analog: NDArray[np.uint16], inputs: int) -> int:
        """Run up to ``len(analog)`` ticks; returns the ticks done (at least 1).

        ``analog`` is a C-contiguous uint16 array [n, 8], a row for each tick; ``inputs`` the raw
        ``Input`` bits during all of them. Returns right after the tick in which an output changed.
        Passing the same array again (with new contents) saves a microsecond.
        """
        if analog is not self._block:
            self._look_at(analog)
        return self._take(self._step(self._at, self._block_at, len(analog), inputs))

    def run(self, analog: NDArray[np.uint16], first: int, most: int, inputs: int) -> int:
        """As ``step`` with the rows ``first`` to ``first + most``, all of them in the array;
        returns also right after the tick in which bytes were sent."""
        if analog is not self._block:
            self._look_at(analog)
        return self._take(self._run(self._at, self._block_at + first * _ROW_BYTES, most, inputs))

    def _look_at(self, analog: NDArray[np.uint16]) -> None:
        if (
            analog.dtype != np.uint16
            or analog.ndim != 2
            or analog.shape[1] != ANALOG_CHANNELS
            or not analog.flags.c_contiguous
            or not 1 <= len(analog) <= _MOST_TICKS
        ):
            raise ValueError(
                f"analog must be C-contiguous uint16 [1..{_MOST_TICKS}, {ANALOG_CHANNELS}], "
                f"got {analog.dtype} {analog.shape}"
            )
        self._block = analog
        if analog.flags.writeable:  # the quick way to the address needs that
            self._block_at = ctypes.addressof(ctypes.c_char.from_buffer(analog.data))
        else:
            self._block_at = analog.ctypes.data

    def receive(self, data: bytes) -> None:
        """Bytes from the host arrive; the main loop handles them before the next tick."""
        self._take(self._lib.pl_host_receive(self._at, data, len(data)))

    def transmit(self) -> bytes:
        """The bytes sent to the host since the last call.

        At most 64 KiB are kept; past that the line stands still and the device drops frames.
        """
        if not self._waiting:
            return b""
        data = ctypes.string_at(self._wire_at, self._waiting)
        self._lib.pl_host_fetched(self._at)
        self._waiting = 0
        return data

    @property
    def tick(self) -> int:
        """The device's 32-bit tick counter."""
        return int(self._lib.pl_host_tick(self._at))

    def reset(self, cause: ResetCause) -> None:
        """Start again: outputs off, sums, order and log gone, tick 0, ``boot_id`` one higher."""
        self.boot_id = (self.boot_id + 1) & 0xFFFFFFFF
        self._start(cause, 0)

    def spoil_guard(self, guard_ticks: int) -> None:
        """Write over the guard time of the newest order, as failing memory might."""
        at = self._at + self._lib.pl_host_guard_at()
        ctypes.c_uint32.from_address(at).value = guard_ticks

    def forget_order(self) -> None:
        """Lose the newest order, as failing memory might."""
        self._lib.pl_host_forget(self._at)

    def close(self) -> None:
        """Nothing outside this process has to end."""
