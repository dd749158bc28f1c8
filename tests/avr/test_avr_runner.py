"""The runner: what it refuses, and the chip in real time on a pseudo-terminal."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from contract.line import Line, frame

from avr.test_avr_serial import samples
from platelink.link import messages as m
from platesim.avrboard import AvrBoard, RunnerError
from platesim.avrbuild import build, build_runner


def block(n: int = 1, level: int = 0) -> np.ndarray:
    return np.full((n, 8), level, np.uint16)


@pytest.mark.parametrize(
    ("what", "payload", "said"),
    [
        (b"S", struct.pack("<BII8H", 3, 1, 0, *[0] * 7, 50001),
         "converter 7 of row 0 is 50001 in 0.1 mV, the most is 50000"),
        (b"S", struct.pack("<BII8H", 4, 1, 0, *[0] * 8), "inputs are 0x04, the chip has 0x03"),
        (b"S", struct.pack("<BII", 3, 2, 0), r"a step of 2 ticks \(at most 10000\)"),
        (b"S", b"\3", "a step has 1 bytes, it needs at least 9"),
        (b"P", b"\7\0\0\0\0", "a start needs a cause of 0..2 or 255, and an address"),
        (b"P", b"\0\2\0\0\1", "the firmware did not come to 0x1000002"),
        (b"H", b"\3", "a hang needs how, 0..2"),
        (b"R", struct.pack("<HH", 0x8FF, 2), "2 bytes at 0x08ff end past 0x08ff"),
        (b"W", struct.pack("<H", 0x8FF) + b"ab", "2 bytes at 0x08ff end past 0x08ff"),
        (b"E", struct.pack("<H", 0x3FF) + b"ab", "2 bytes at 0x03ff end past the EEPROM's 0x03ff"),
        (b"Z", b"", "unknown request 0x5a"),
    ],
)  # fmt: skip
def test_what_is_out_of_range_is_refused_and_said(
    line: Line, what: bytes, payload: bytes, said: str
) -> None:
    with pytest.raises(RunnerError, match=said):
        line.board._request(what, payload)
    if what != b"P":
        line.ticks(60)
        assert line.samples()


def test_counts_above_the_converters_are_refused() -> None:
    board = AvrBoard()
    with pytest.raises(ValueError, match="analog has 1024 counts, the most is 1023"):
        board.step(block(level=1024), 3)
    board.close()


def test_every_count_is_read_as_it_was_given() -> None:
    board = AvrBoard(light_channels=4)
    for first in range(0, 1024, 64):
        rows = block(64)
        rows[:] = np.arange(first, first + 64)[:, None]
        board.step(rows, 3)
    board.step(block(60), 3)
    sample = samples(board.transmit())[-1]
    assert sample.light_sum == (1023 * 1024 // 2,) * 4
    board.close()


@pytest.mark.parametrize("option", [{"adc_bits": 12}, {"reset_cause": m.ResetCause.UNKNOWN}])
def test_what_the_board_cannot_be_is_refused(option: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"adc_bits is 12|cause is"):
        AvrBoard(**option)  # type: ignore[arg-type]


def test_a_runner_that_died_is_told() -> None:
    board = AvrBoard()
    with pytest.raises(RunnerError, match=r"request of 2097152 bytes is too long|is gone"):
        board._request(b"R", bytes(1 << 21))
    with pytest.raises(RunnerError, match="is gone"):
        board.step(block(), 3)
    board.close()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["/nowhere/image", "--pty"], "cannot open the firmware '/nowhere/image'"),
        (["/dev/null", "--pty"], "has 0 bytes, the flash takes 1 to 32768"),
        (["IMAGE", "--what"], "usage:"),
        (["IMAGE", "--socket", "/tmp/" + "x" * 120], "the socket's path is longer than 107 bytes"),
    ],
)
def test_a_bad_command_line_is_explained(arguments: list[str], said: str) -> None:
    given = [str(build().image) if word == "IMAGE" else word for word in arguments]
    done = subprocess.run(
        [build_runner(), *given], capture_output=True, text=True, timeout=20, check=False
    )
    assert done.returncode != 0
    assert said in done.stderr


@contextmanager
def paced() -> Iterator[tuple[subprocess.Popen[str], int]]:
    """The runner in real time, and its terminal opened."""
    command = [build_runner(), build().image, "--pty"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        fd = os.open(process.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY)
        tty.setraw(fd, termios.TCSANOW)
        try:
            yield process, fd
        finally:
            os.close(fd)
            assert process.stdin is not None
            process.stdin.close()
            process.wait(timeout=10)


def say(process: subprocess.Popen[str], text: str) -> str:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(text + "\n")
    process.stdin.flush()
    return process.stdout.readline().strip()


def listen(fd: int, *, until: int, deadline_s: float = 20.0) -> list[m.Sample]:
    """Read until so many Samples have come."""
    os.set_blocking(fd, False)
    data, end = b"", time.monotonic() + deadline_s
    while len(samples(data)) < until:
        assert time.monotonic() < end, f"{len(samples(data))} Samples in {deadline_s} s"
        try:
            data += os.read(fd, 4096)
        except BlockingIOError:
            time.sleep(0.01)
    return samples(data)


def test_in_real_time_on_a_terminal() -> None:
    with paced() as (process, fd):
        assert say(process, "adc 0 25000") == "ok"
        assert say(process, "inputs 3") == "ok"
        assert say(process, "adc 0 50001").startswith("error: channels are 0..7")
        assert say(process, "adc 8 1").startswith("error: channels are 0..7")
        assert say(process, "inputs 4") == "error: the mask is 0..3"
        assert say(process, "what").startswith("error: not understood")
        os.write(fd, frame(*_packed(m.SetFrame(20))))
        start = time.monotonic()
        heard = listen(fd, until=20)
        took_s = time.monotonic() - start
        ticks = heard[-1].tick - heard[0].tick
        assert ticks / 1000 < took_s + 0.3  # never faster than the wall clock, but for what waited
        assert heard[-1].inputs == 3
        assert heard[-1].light_max[0] == 511


def test_a_stopped_runner_does_not_race_to_catch_up() -> None:
    with paced() as (process, fd):
        before = listen(fd, until=2)[-1].tick
        process.send_signal(signal.SIGSTOP)
        time.sleep(1.0)
        process.send_signal(signal.SIGCONT)
        after = listen(fd, until=4)[-1].tick
        assert after - before < 700


def test_lock_step_over_a_named_socket(tmp_path: Path) -> None:
    """As another program would use it: what lockstep.h says, byte by byte."""
    import socket

    path = tmp_path / "chip"
    with subprocess.Popen([build_runner(), build().image, "--socket", path]) as process:
        end = time.monotonic() + 10
        while not path.exists():
            assert time.monotonic() < end
            time.sleep(0.01)
        with socket.socket(socket.AF_UNIX) as peer:
            while peer.connect_ex(str(path)):
                assert time.monotonic() < end
            peer.sendall(b"P" + struct.pack("<IBI", 5, 0, 0))
            status, size = struct.unpack("<BI", peer.recv(5, socket.MSG_WAITALL))
            state = peer.recv(size, socket.MSG_WAITALL)
            assert (status, size) == (0, 20)
            assert struct.unpack("<IBBI", state[:10]) == (0, 0, 0, 0)
        assert process.wait(timeout=10) == 0


def _packed(command: m.SetFrame) -> tuple[int, int, bytes]:
    code, payload = m.pack(command)
    return code, 1, payload
