"""The exchanges that every device can be held to, played from their file to each board."""

from __future__ import annotations

import binascii
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs

from contract.conftest import AVR, HOST, Kind
from platelink.link import messages as m
from platesim import exchanges
from platesim.exchanges import Exchange, Said, play

FILE = Path(__file__).resolve().parents[2] / "firmware-sim" / "vectors" / "exchanges.txt"
ON_THE_LINE = 60
"""Ticks in which all that a board has sent until the end comes through."""


def unframed(hexed: str) -> tuple[int, int, bytes]:
    """Type, sequence number, payload; by general libraries."""
    body = cobs.decode(bytes.fromhex(hexed).removesuffix(b"\0"))
    assert binascii.crc_hqx(body, 0xFFFF) == 0
    return body[0], int.from_bytes(body[1:3], "little"), body[3:-2]


def read() -> list[tuple[Exchange, list[tuple[int, int, bytes]]]]:
    """Each exchange, and what the device says in it."""
    found: list[tuple[Exchange, list[tuple[int, int, bytes]]]] = []
    for line in FILE.read_text("utf-8").splitlines():
        word, _, rest = line.partition(" ")
        fields = rest.split()
        if word == "exchange":
            found.append((Exchange(rest, []), []))
        elif word == "light":
            assert fields[0] == "0"
            found[-1][0].light = int(fields[1])
        elif word == "inputs":
            found[-1][0].inputs[int(fields[0])] = int(fields[1])
        elif word == "until":
            found[-1][0].until = int(fields[0])
        elif word == ">":
            check_words(fields[1:])
            found[-1][0].said.append(Said(int(fields[0]), *unframed(fields[-1])))
        elif word == "<":
            check_words(fields)
            found[-1][1].append(unframed(fields[-1]))
    return found


def check_words(fields: list[str]) -> None:
    """Type, name, number and values are those of the frame."""
    code, name, seq, values, frame = fields
    kind, number, payload = unframed(frame)
    assert (int(code, 16), int(seq)) == (kind, number)
    if name != "?":
        message = m.unpack(kind, payload)
        assert type(message).__name__ == name
        flat = [x for value in message for x in (value if isinstance(value, tuple) else (value,))]
        assert (",".join(map(str, flat)) or "-") == values


def same(frame: tuple[int, int, bytes]) -> tuple[int, int, Any]:
    """A frame without what names the board."""
    code, seq, payload = frame
    message = m.unpack(code, payload)
    if isinstance(message, m.Hello):
        return code, seq, message._replace(board=0, boot_id=0)
    if isinstance(message, m.OrderReport):
        return code, seq, message._replace(boot_id=0)
    return code, seq, payload


@pytest.fixture
def boards() -> Any:
    made: list[Any] = []
    yield made
    for board in made:
        board.close()


@pytest.mark.parametrize("kind", [HOST, AVR], ids=lambda kind: kind.name)
@pytest.mark.parametrize(("exchange", "told"), read(), ids=lambda x: getattr(x, "name", ""))
def test_every_board_says_this(
    kind: Kind, exchange: Exchange, told: list[tuple[int, int, bytes]], boards: list[Any]
) -> None:
    boards.append(kind.make(light_channels=1))
    heard = play(boards[0], exchange, more=ON_THE_LINE)
    frames = [same(unframed(frame.hex())) for frame in heard]
    assert frames[: len(told)] == [same(frame) for frame in told]
    assert {code for code, _, _ in frames[len(told) :]} <= {m.CODES[m.Sample]}


def test_the_file_is_the_one_that_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    assert exchanges.main(["--check"]) == 0
    monkeypatch.setattr(exchanges, "EXCHANGES", exchanges.EXCHANGES[1:])
    assert exchanges.main(["--check"]) == 1
