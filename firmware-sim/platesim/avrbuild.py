"""Compiles the AVR firmware and the program that runs it on a simulated chip; both are kept.

The runner is a program of its own under its own licence (see ``firmware-sim/runner/LICENSE.md``):
it is compiled from source on this machine and started as a process.
"""

from __future__ import annotations

import functools
import hashlib
import os
import platform
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from platelink.link.messages import Capability
from platesim.board import ALL_CAPABILITIES, BoardError, LightLimits, cache_dir, firmware_dir

APT_LINE: Final = (
    "sudo apt install -y --no-install-recommends gcc-avr avr-libc binutils-avr libsimavr-dev "
    "libelf-dev pkg-config gcc libc6-dev"
)
FLASH_CEILING: Final = 24 * 1024
RAM_CEILING: Final = 1433
"""1.4 KiB of variables, of the chip's 2 KiB; the rest is stack."""
_AVR_FLAGS: Final = (
    "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-O3", "-flto", "-std=gnu11", "-Wall", "-Wextra",
    "-Werror", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections",
)  # fmt: skip
_RUNNER_FLAGS: Final = ("-std=gnu11", "-D_GNU_SOURCE", "-O2", "-Wall", "-Wextra", "-Werror")


class ToolMissing(BoardError):  # noqa: N818 - says what is wrong
    """A program or library needed to build or run the AVR firmware is not installed."""

    def __init__(self, what: str) -> None:
        super().__init__(
            f"the AVR board needs {what}, which is not on this machine; install it: {APT_LINE}"
        )


class BuildFailed(BoardError):  # noqa: N818
    """A compiler refused the firmware or the runner."""


@dataclass(frozen=True, slots=True)
class Firmware:
    """One build: flash image, symbols by name, and what it takes of the chip."""

    elf: Path
    image: Path
    symbols: dict[str, int]
    flash_bytes: int
    ram_bytes: int


def _run(*command: str | Path) -> str:
    done = subprocess.run(  # noqa: S603
        [*map(str, command)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        said = done.stdout + done.stderr
        raise BuildFailed(f"{' '.join(map(str, command))}\nended with {done.returncode}:\n{said}")
    return done.stdout


def _tool(name: str) -> Path:
    found = shutil.which(name)
    if found is None:
        raise ToolMissing(f"'{name}'")
    return Path(found)


def _digest(files: list[Path], *more: object) -> str:
    digest = hashlib.sha256(f"{platform.machine()} {more}".encode())
    for path in files:
        digest.update(f"\n{path.parent.name}/{path.name}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:20]


def _identity(tool: Path) -> str:
    stat = tool.resolve().stat()
    return f"{tool} {stat.st_size} {stat.st_mtime_ns}"


@functools.cache
def build(
    *,
    light_channels: int = 1,
    capabilities: Capability = ALL_CAPABILITIES,
    limits: LightLimits | None = None,
) -> Firmware:
    """The AVR firmware with these build options, compiled now if these sources never were.

    Raises ``ToolMissing`` or ``BuildFailed``. Safe when several processes build at once.
    """
    if not 1 <= light_channels <= 4:
        raise ValueError(f"light_channels is {light_channels}, the chip takes 1..4")
    gcc = _tool("avr-gcc")
    objcopy, nm, size = _tool("avr-objcopy"), _tool("avr-nm"), _tool("avr-size")
    root = firmware_dir()
    folders = (root / "core", root / "board" / "avr")
    sources = [path for folder in folders for path in sorted(folder.glob("*.c"))]
    headers = [path for folder in folders for path in sorted(folder.glob("*.h"))]
    options = (
        f"-DPL_AVR_LIGHT={light_channels}",
        f"-DPL_AVR_CAPABILITIES={int(capabilities)}",
        *(limits.options() if limits else ()),
    )
    name = _digest(sources + headers, _AVR_FLAGS, options, _identity(gcc))
    directory = cache_dir(f"avr-{name}")
    elf, image = directory / "firmware.elf", directory / "firmware.bin"
    if not image.exists():
        _check_libc(gcc)
        with tempfile.TemporaryDirectory(dir=directory) as unfinished:
            new_elf, new_image = Path(unfinished, "elf"), Path(unfinished, "bin")
            includes = [f"-I{folder}" for folder in folders]
            _run(gcc, *_AVR_FLAGS, *options, *includes, *sources, "-o", new_elf)
            _run(objcopy, "-O", "binary", "-j", ".text", "-j", ".data", new_elf, new_image)
            new_elf.rename(elf)
            new_image.rename(image)  # last: it tells that all is there
    symbols = {}
    for line in _run(nm, elf).splitlines():
        value, _, symbol = line.split()
        symbols[symbol] = int(value, 16)
    return Firmware(elf, image, symbols, *_sizes(_run(size, "-A", elf)))


def _check_libc(gcc: Path) -> None:
    try:
        _run(gcc, "-mmcu=atmega328p", "-E", "-x", "c", "-include", "avr/io.h", os.devnull)
    except BuildFailed as error:
        raise ToolMissing("the C library for 'avr-gcc' (avr-libc)") from error


def _sizes(listing: str) -> tuple[int, int]:
    """Flash and RAM in bytes from ``avr-size -A``."""
    size = {
        fields[0]: int(fields[1])
        for fields in map(str.split, listing.splitlines())
        if len(fields) == 3 and fields[0].startswith(".")
    }
    data = size.get(".data", 0)
    return size[".text"] + data, data + size.get(".bss", 0) + size.get(".noinit", 0)


@functools.cache
def build_runner() -> Path:
    """Path of the runner, compiled now if these sources never were."""
    gcc, config = _tool("cc"), _tool("pkg-config")
    root = Path(__file__).resolve().parent.parent / "runner"
    sources, headers = sorted(root.glob("*.c")), sorted(root.glob("*.h"))
    if not sources:
        raise BoardError(f"the runner's sources are missing: looked in {root}")
    try:
        flags = _run(config, "--cflags", "simavr").split()
        libraries = _run(config, "--libs", "simavr").split()
    except BuildFailed as error:
        raise ToolMissing("libsimavr") from error
    version = _run(config, "--modversion", "simavr")
    name = _digest(sources + headers, _RUNNER_FLAGS, flags, version, _identity(gcc))
    runner = cache_dir(f"runner-{name}") / "platelink-avr-runner"
    if not runner.exists():
        with tempfile.TemporaryDirectory(dir=runner.parent) as unfinished:
            made = Path(unfinished, "runner")
            _run(gcc, *_RUNNER_FLAGS, *flags, *sources, *libraries, "-lutil", "-o", made)
            made.rename(runner)
    return runner
