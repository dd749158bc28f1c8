"""The AVR firmware as compiled: sizes, first instructions, what a builder's Makefile says."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from platesim import avrbuild
from platesim.avrbuild import FLASH_CEILING, RAM_CEILING, ToolMissing, build, build_runner
from platesim.board import firmware_dir

BOARD = firmware_dir() / "board" / "avr"


@pytest.mark.parametrize("light_channels", [1, 4])
def test_flash_and_ram_stay_below_their_ceilings(light_channels: int) -> None:
    made = build(light_channels=light_channels)
    print(f"{light_channels} light channels: flash {made.flash_bytes}, RAM {made.ram_bytes} bytes")
    assert 8_000 < made.flash_bytes < FLASH_CEILING
    assert 1_000 < made.ram_bytes < RAM_CEILING
    assert made.image.stat().st_size == made.flash_bytes


def test_outputs_are_off_from_the_first_instruction() -> None:
    """PORTB is I/O address 0x05, DDRB 0x04 (ATmega328P data sheet, register summary)."""
    elf = build().elf
    done = subprocess.run(
        ["avr-objdump", "-d", "--no-show-raw-insn", elf], capture_output=True, text=True, check=True
    )
    lines = [line.split("\t") for line in done.stdout.splitlines() if line.startswith("   ")]
    code = {int(at.strip(" :"), 16): " ".join(rest).split(";")[0].split() for at, *rest in lines}
    (jump, target) = code[0][:2]
    assert jump == "jmp"
    at = int(target, 16)
    said = []
    while len(said) < 7:
        said.append(" ".join(code[at]))
        at += 2
    assert said == [
        "cli",
        "cbi 0x05, 0", "cbi 0x05, 1", "cbi 0x05, 2",
        "sbi 0x04, 0", "sbi 0x04, 1", "sbi 0x04, 2",
    ]  # fmt: skip


def test_the_makefile_builds_and_prints_what_it_takes(tmp_path: Path) -> None:
    done = subprocess.run(
        ["make", "-C", BOARD, f"OUT={tmp_path}", "LIGHT=2"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    said = re.search(r"flash (\d+) of (\d+) bytes, variables (\d+) of (\d+) bytes", done.stdout)
    assert said is not None
    flash, flash_ceiling, ram, ram_ceiling = map(int, said.groups())
    assert (flash_ceiling, ram_ceiling) == (FLASH_CEILING, RAM_CEILING)
    assert 8_000 < flash < flash_ceiling
    assert 1_000 < ram < ram_ceiling
    assert (tmp_path / "firmware.hex").read_text().startswith(":10")
    for wrong in (f"RAM_CEILING={ram - 1}", "LIMITS=-DPL_HOUR_LIT_MAX=5000000"):
        (tmp_path / "firmware.elf").unlink(missing_ok=True)
        over = subprocess.run(
            ["make", "-C", BOARD, f"OUT={tmp_path}", "LIGHT=2", wrong],
            capture_output=True, check=False,
        )  # fmt: skip
        assert over.returncode != 0


def test_the_makefile_compiles_with_the_options_of_the_simulation() -> None:
    text = (BOARD / "Makefile").read_text(encoding="utf-8").replace("\\\n", " ")
    flags = re.search(r"^FLAGS := (.*)$", text, re.MULTILINE)
    assert flags is not None
    assert tuple(flags[1].split()) == avrbuild._AVR_FLAGS


@pytest.mark.parametrize("function", [build, build_runner])
def test_missing_tools_name_the_line_to_run(
    function: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(ToolMissing, match=r"sudo apt install .*gcc-avr avr-libc .*libsimavr-dev"):
        function.__wrapped__()  # type: ignore[attr-defined]


def test_other_light_channels_are_refused() -> None:
    with pytest.raises(ValueError, match="light_channels is 5, the chip takes 1"):
        build(light_channels=5)
