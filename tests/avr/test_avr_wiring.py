"""The page for a builder says the pins, fuses and figures that the firmware has."""

from __future__ import annotations

import math
import re
from pathlib import Path

from platesim.board import firmware_dir

ROOT = Path(__file__).resolve().parents[2]
WIRING = (ROOT / "docs/wiring.md").read_text("utf-8")
BOARD = firmware_dir() / "board" / "avr"


def row(pin: str) -> str:
    """What the table of pins says about a pin."""
    found = re.search(rf"^\| `{pin}` \(\w+\) \|(.*)$", WIRING, re.MULTILINE)
    assert found, f"no row for {pin}"
    return found[1]


def test_digital_pins_are_those_of_the_header() -> None:
    header = (BOARD / "pl_avr.h").read_text("utf-8")
    pins = dict(re.findall(r"#define PL_AVR_(\w+) (P[BD]\d)\b", header))
    assert set(pins) == {"LAMP", "VACUUM", "BEEPER", "INTERLOCK", "STOP"}
    for name, pin in pins.items():
        assert name.lower() in row(pin)


def test_analog_pins_are_those_of_the_chain() -> None:
    chain = (BOARD / "pl_avr_sampling.c").read_text("utf-8")
    pins = re.findall(r"\{(\d), (PL_\w+|\d)\}", chain)
    meant = {"PL_VACUUM": "vacuum", "PL_OVEN": "oven", "PL_HEAD": "head temperature",
             "0": "first channel", "1": "second channel", "2": "third channel",
             "3": "fourth channel"}  # fmt: skip
    assert sorted(column for _, column in pins) == sorted(meant)
    for pin, column in pins:
        assert meant[column] in row(f"ADC{pin}")


def test_fuses_are_those_of_the_makefile() -> None:
    makefile = (BOARD / "Makefile").read_text("utf-8")
    fuses = re.findall(r"(\w)fuse:w:(0x[0-9A-F]{2}):m", makefile)
    named = {"l": "low", "h": "high", "e": "extended"}
    assert len(fuses) == 3
    for letter, value in fuses:
        assert f"{named[letter]} {value}" in WIRING


def test_computed_values_are_right() -> None:
    """Ohm's law, the corner of a first-order filter and its fall, and counts of 5 V / 1023."""
    count_v = 5.0 / 1023
    assert round(5.0 / 50.9 * 1000) == 98 and round(5.0 / 50.9 / count_v) == 20
    corner_hz = 1 / (2 * math.pi * 1e6 * 1e-9)
    assert round(corner_hz) == 159
    assert round(20 * math.log10(math.hypot(1, 20_000 / corner_hz))) == 42
    assert (math.floor(0.5 / count_v), math.floor(4.5 / count_v)) == (102, 920)
    assert round(256 * count_v / 0.005) == 250
    assert math.isclose(0.3 * count_v, 1.5e-3, rel_tol=0.03)
    for sigma, most in ((0.3, 0.06), (0.5, 0.01)):
        assert math.exp(-2 * math.pi**2 * sigma**2) / math.pi < most
    for text in ("98 mV, that is 20 counts", "corner 159 Hz, 42 dB", "102 to 920 counts"):
        assert text in WIRING
