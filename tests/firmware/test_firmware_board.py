"""The host board: compiling, stepping, and several boards side by side."""

from __future__ import annotations

import itertools
import stat
import time
from pathlib import Path

import numpy as np
import pytest
from contract.line import Line, order, split

from platelink.link import messages as m
from platesim import board
from platesim.board import HostBoard


def test_start_sends_hello_and_boot() -> None:
    unit = HostBoard(
        light_channels=2,
        adc_bits=12,
        boot_id=0xCAFE,
        reset_cause=m.ResetCause.WATCHDOG,
        capabilities=m.Capability.VACUUM | m.Capability.LAMP_OUTPUT,
        start_tick=0xFFFFFFFF,
    )
    frames = split(unit.transmit())
    assert [m.unpack(code, payload) for code, _, payload in frames] == [
        m.Hello(1, m.Board.HOST, (0, 1, 0), 2, 12, 9, 3, 0xCAFE, 0xFFFFFFFF, 1000, 50),
        m.Event(1, m.EventCode.BOOT, m.ResetCause.WATCHDOG, 0xFFFFFFFF),
    ]
    assert [seq for _, seq, _ in frames] == [0, 1]
    assert (unit.outputs, unit.tick) == (0, 0xFFFFFFFF)
    assert unit.step(np.zeros((3, 8), np.uint16), 3) == 3
    assert unit.tick == 2


def test_step_returns_right_after_an_output_changed() -> None:
    line = Line(HostBoard())
    line.send(order(target=400))
    line.send(m.Open(1))
    block = np.full((100, 8), 10, np.uint16)
    assert line.board.step(block, 3) == 1  # the lamp came on
    assert line.lamp
    assert line.board.step(block, 3) == 40
    assert not line.lamp
    assert line.board.step(block, 3) == 100


def test_run_returns_right_after_bytes_were_sent() -> None:
    unit = HostBoard()
    unit.transmit()
    block = np.arange(8 * 1000, dtype=np.uint16).reshape(1000, 8) % 1000
    assert unit.run(block, 100, 900, 3) == 20  # the inputs have settled: an event each
    unit.transmit()
    assert unit.run(block, 120, 900, 3) == 30
    sample = m.unpack(*split(unit.transmit())[-1][::2])
    assert sample.tick == unit.tick == 50
    assert sample.light_sum[0] == block[100:150, 0].sum()
    assert unit.run(block, 150, 20, 3) == 20
    assert unit.transmit() == b""


def test_columns_of_the_analog_block() -> None:
    unit = HostBoard(light_channels=4)
    unit.transmit()
    unit.step(np.tile(np.arange(1, 9, dtype=np.uint16), (50, 1)), 3)
    sample = m.unpack(*next(f[::2] for f in split(unit.transmit()) if f[0] == m.CODES[m.Sample]))
    assert sample.light_sum == (50, 100, 150, 200)
    assert (sample.vacuum_sum, sample.oven_sum, sample.head_sum) == (250, 300, 350)


@pytest.mark.parametrize(
    "block",
    [
        np.zeros((5, 8), np.int32),
        np.zeros((5, 6), np.uint16),
        np.zeros((0, 8), np.uint16),
        np.zeros((10, 8), np.uint16)[::2],
        np.zeros(7, np.uint16),
    ],
)
def test_step_refuses_other_blocks(block: np.ndarray) -> None:
    with pytest.raises(ValueError, match="C-contiguous uint16"):
        HostBoard().step(block, 3)


def test_same_array_with_new_contents_is_read_anew() -> None:
    unit = HostBoard()
    block = np.ones((50, 8), np.uint16)
    unit.step(block, 3)
    block[:] = 5
    unit.transmit()
    unit.step(block, 3)
    sample = [m.unpack(c, p) for c, _, p in split(unit.transmit()) if c == m.CODES[m.Sample]][-1]
    assert sample.light_sum[0] == 300


def test_a_read_only_block_is_as_good() -> None:
    unit = HostBoard()
    block = np.full((50, 8), 3, np.uint16)
    block.flags.writeable = False
    assert unit.step(block, 3) == 50
    sample = [m.unpack(c, p) for c, _, p in split(unit.transmit()) if c == m.CODES[m.Sample]][-1]
    assert sample.light_sum[0] == 150


def test_reset_forgets_all_but_counts_the_boot() -> None:
    line = Line(HostBoard(light_channels=4, boot_id=0xFFFFFFFF))
    line.analog[0] = 9
    line.open(order())
    line.ticks(10)
    assert line.lamp
    line.board.reset(m.ResetCause.BROWN_OUT)
    assert (line.board.outputs, line.board.tick, line.board.boot_id) == (0, 0, 0)
    hello, boot = line.listen()[-2:]
    assert (hello.reset_cause, hello.boot_id, hello.tick) == (m.ResetCause.BROWN_OUT, 0, 0)
    assert (boot.number, boot.arg) == (1, m.ResetCause.BROWN_OUT)
    report = line.report()
    assert report == m.OrderReport(0, 0, 0, 0, 0, 0, 0, 0, *[(0,) * 4] * 4)
    assert line.send(m.Open(1)) is m.ReplyCode.WRONG_STATE


def test_bytes_already_sent_outlive_a_reset() -> None:
    unit = HostBoard(boot_id=5)
    unit.reset(m.ResetCause.EXTERNAL)
    hellos = [m.unpack(c, p) for c, _, p in split(unit.transmit()) if c == m.CODES[m.Hello]]
    assert [hello.boot_id for hello in hellos] == [5, 6]


def test_boards_do_not_know_each_other() -> None:
    first, second = Line(HostBoard()), Line(HostBoard())
    first.analog[0], second.analog[0] = 10, 20
    first.open(order(order=1, target=500))
    second.open(order(order=2, target=500))
    for _ in range(60):
        first.ticks(1)
        second.ticks(1)
    one, two = first.report(), second.report()
    assert (one.order, one.close_tick - one.open_tick) == (1, 50)
    assert (two.order, two.close_tick - two.open_tick) == (2, 25)


def test_a_line_nobody_reads_stands_still_and_loses_whole_frames() -> None:
    line = Line(HostBoard())
    block = np.zeros((60000, 8), np.uint16)
    line.board.step(block, 3)  # 1,200 Samples of 127 bytes are due, 65,536 bytes are kept
    first = line.board.transmit()
    assert len(first) == 65536
    line.board.step(block[:100], 3)
    frames = split(first + line.board.transmit())  # no frame is cut by it
    seqs = [seq for _, seq, _ in frames]
    gaps = [after - before for before, after in itertools.pairwise(seqs) if after != before + 1]
    assert len(gaps) == 1
    assert gaps[0] > 600


def test_compiled_once_and_anew_when_the_cache_is_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    library = board.build()
    assert library.is_relative_to(tmp_path / "platelink")
    before = library.stat().st_mtime_ns
    assert board.build() == library
    assert library.stat().st_mtime_ns == before
    assert [path.name for path in library.parent.iterdir()] == [library.name]


def test_unwritable_cache_falls_back_to_a_private_temporary_directory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "cache"
    blocked.write_text("a file where the directory should be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr(board.tempfile, "gettempdir", lambda: str(tmp_path))
    library = board.build()
    private = library.parent.parent
    assert private.parent == tmp_path
    assert private.name.startswith("platelink-")
    assert stat.S_IMODE(private.stat().st_mode) == 0o700


def test_a_directory_open_to_others_is_not_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    library = board.build()
    library.parent.chmod(0o777)
    monkeypatch.setattr(board.tempfile, "gettempdir", lambda: str(tmp_path))
    assert board.build().parent != library.parent


def test_no_compiler_names_the_line_to_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(board.CompilerMissing, match="sudo apt install -y gcc libc6-dev"):
        board.build()


def test_what_the_compiler_says_is_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for sub in ("core", "board/host"):
        (tmp_path / "firmware" / sub).mkdir(parents=True)
    (tmp_path / "firmware/core/pl_core.h").write_text("")
    (tmp_path / "firmware/core/pl_core.c").write_text("this is not C\n")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(board, "firmware_dir", lambda: tmp_path / "firmware")
    with pytest.raises(board.CompilerFailed, match="unknown type name"):
        board.build()
    assert not list((tmp_path / "cache").rglob("*.so"))


def test_state_stays_below_a_kibibyte() -> None:
    print(f"core state {board.core_size()} bytes")
    assert board.core_size() <= 1024


def test_a_step_of_fifty_ticks_is_cheap() -> None:
    unit = HostBoard()
    block = np.zeros((50, 8), np.uint16)
    best = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(200):
            unit.step(block, 3)
            unit.transmit()
        best = min(best, (time.perf_counter() - start) / 200)
    print(f"step(50) and transmit: {best * 1e6:.1f} microseconds")
    assert best < 100e-6  # twenty times what it takes alone on a slow machine
