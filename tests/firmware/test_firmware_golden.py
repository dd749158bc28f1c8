"""The golden frames, read with general libraries only; the C tests read the same file."""

from __future__ import annotations

import binascii
import struct
from pathlib import Path

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from platelink.link import messages as m

GOLDEN = Path(__file__).resolve().parents[2] / "firmware-sim" / "vectors" / "golden.txt"
LINES = [
    line.split() for line in GOLDEN.read_text("utf-8").splitlines() if not line.startswith("#")
]


def flat(message: object) -> list[int]:
    values: list[int] = []
    for value in message:  # type: ignore[attr-defined]
        values.extend(value if isinstance(value, tuple) else [value])
    return values


def unhex(text: str) -> bytes:
    return b"" if text == "-" else bytes.fromhex(text)


@pytest.mark.parametrize("line", LINES, ids=lambda line: f"{line[1]}-{line[2]}")
def test_golden_frame(line: list[str]) -> None:
    code, name, seq, values, payload, frame = line
    message = m.unpack(int(code, 16), unhex(payload))
    assert type(message).__name__ == name
    assert flat(message) == [int(v) for v in values.split(",") if v != "-"]
    assert m.pack(message) == (int(code, 16), unhex(payload))

    body = bytes.fromhex(code) + struct.pack("<H", int(seq)) + unhex(payload)
    crc = Crc16Ibm3740.calc(body)
    assert crc == binascii.crc_hqx(body, 0xFFFF)
    assert unhex(frame) == cobs.encode(body + struct.pack(">H", crc)) + b"\0"
    assert cobs.decode(unhex(frame)[:-1])[:-2] == body


def test_every_message_with_zeros_and_with_extremes() -> None:
    by_name = {cls.__name__: cls for cls in m.TYPES.values()}
    assert {line[1] for line in LINES} == set(by_name)
    for name, cls in by_name.items():
        payloads = {line[4] for line in LINES if line[1] == name}
        size = m.SIZES[m.CODES[cls]]
        if size:
            assert {"00" * size, "ff" * size} <= payloads
