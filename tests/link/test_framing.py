"""Frames: outside vectors for CRC and COBS, any cut of the stream, any garbage, any flipped bit."""

from __future__ import annotations

import binascii
import itertools
import random
from pathlib import Path

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st
from link_wire import make_sample

from platelink.link.framing import (
    MAX_ENCODED,
    MAX_PAYLOAD,
    Decoder,
    Frame,
    FrameRejected,
    encode,
    encode_raw,
)
from platelink.link.messages import SIZES, Close, Heartbeat, Sample, unpack

GOLDEN = Path(__file__).parents[2] / "firmware-sim" / "vectors" / "golden.txt"

# Sizes drawn evenly: random byte strings alone are nearly always short.
noise_strategy = st.builds(
    lambda size, seed: random.Random(seed).randbytes(size), st.integers(0, 1000), st.integers()
)
frames_strategy = st.lists(
    st.tuples(st.integers(0, 255), st.integers(0, 0xFFFF), st.binary(max_size=MAX_PAYLOAD)),
    max_size=8,
)


def golden_frames() -> list[bytes]:
    lines = GOLDEN.read_text(encoding="utf-8").splitlines()
    return [bytes.fromhex(line.split()[-1]) for line in lines if not line.startswith("#")]


# AUTOSAR, Specification of CRC Routines, CRC-16/CCITT-FALSE examples (from memory; each also by
# the crccheck library); the check value 0x29B1 is that of the CRC RevEng catalogue.
AUTOSAR_CRC = [
    ("313233343536373839", 0x29B1),
    ("00000000", 0x84C0),
    ("F20183", 0xD374),
    ("0FAA0055", 0x2023),
    ("00FF5511", 0xB8F9),
    ("332255AABBCCDDEEFF", 0xF53F),
    ("926B55", 0x0745),
    ("FFFFFFFF", 0x1D0F),
]


@pytest.mark.parametrize(("data", "crc"), AUTOSAR_CRC)
def test_crc_vectors(data: str, crc: int) -> None:
    """The CRC bytes that a frame carries are those of the published vectors."""
    raw = bytes.fromhex(data)
    assert Crc16Ibm3740.calc(raw) == crc
    assert binascii.crc_hqx(raw, 0xFFFF) == crc
    if len(raw) >= 3:  # type, sequence number, payload
        wire = encode_raw(raw[0], raw[3:], int.from_bytes(raw[1:3], "little"))
        assert cobs.decode(wire[:-1]) == raw + crc.to_bytes(2, "big")


# Usual examples of Cheshire & Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on
# Networking 7(2), 1999 (from memory).
COBS = [
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    ("", "01"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    (bytes(range(255)).hex(), "01ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
]


@pytest.mark.parametrize(("plain", "stuffed"), COBS)
def test_cobs_vectors(plain: str, stuffed: str) -> None:
    assert bytes(cobs.encode(bytes.fromhex(plain))).hex() == stuffed
    assert bytes(cobs.decode(bytes.fromhex(stuffed))).hex() == plain


@given(frames_strategy)
def test_crc_of_every_frame_agrees_with_crccheck(frames: list[tuple[int, int, bytes]]) -> None:
    for code, seq, payload in frames:
        body = cobs.decode(encode_raw(code, payload, seq)[:-1])
        assert Crc16Ibm3740.calc(body[:-2]) == int.from_bytes(body[-2:], "big")
        assert Crc16Ibm3740.calc(body) == 0  # residue, because the CRC is sent high byte first


def test_golden_frames_decode() -> None:
    """The vectors that the firmware's own tests read as well."""
    for line in GOLDEN.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        code, _, seq, _, payload, wire = line.split()
        plain = b"" if payload == "-" else bytes.fromhex(payload)
        (frame,) = Decoder().feed(bytes.fromhex(wire))
        assert frame == Frame(int(code, 16), int(seq), plain)
        assert encode(unpack(int(code, 16), plain), int(seq)).hex() == wire


@given(frames_strategy, st.lists(st.integers(0, 2000), max_size=12), noise_strategy)
def test_any_cut_gives_the_same_frames(
    frames: list[tuple[int, int, bytes]], cuts: list[int], noise: bytes
) -> None:
    stream = noise + b"".join(encode_raw(code, payload, seq) for code, seq, payload in frames)
    whole = Decoder().feed(stream)
    decoder = Decoder()
    edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
    pieces = [stream[a:b] for a, b in itertools.pairwise(edges)]
    assert [frame for piece in pieces for frame in decoder.feed(piece)] == whole


@given(noise_strategy, frames_strategy)
def test_any_garbage_resyncs_at_the_next_delimiter(
    garbage: bytes, frames: list[tuple[int, int, bytes]]
) -> None:
    stream = b"".join(encode_raw(code, payload, seq) for code, seq, payload in frames)
    found = Decoder().feed(garbage + b"\0" + stream)
    assert found[len(found) - len(frames) :] == [Frame(*frame) for frame in frames]


@given(noise_strategy.map(lambda raw: raw.replace(b"\0", b"x")), st.integers(1, 700))
def test_memory_is_bounded(noise: bytes, step: int) -> None:
    decoder = Decoder(keep=3)
    for at in range(0, len(noise), step):
        decoder.feed(noise[at : at + step])
        assert len(decoder._tail) <= MAX_ENCODED
    end = decoder.feed(b"\0\0\0")
    expected = FrameRejected("too long", len(noise))
    assert end == [expected] if len(noise) > MAX_ENCODED else len(end) <= 1
    assert sum(map(len, decoder.recent)) <= 3 * MAX_ENCODED


@given(st.integers(0, 255), st.integers(0, 0xFFFF), st.binary(max_size=MAX_PAYLOAD), st.data())
def test_a_bit_flipped_in_the_body_is_always_caught(
    code: int, seq: int, payload: bytes, data: st.DataObject
) -> None:
    """A CRC with more than one term in its polynomial misses no single-bit error."""
    body = bytearray(cobs.decode(encode_raw(code, payload, seq)[:-1]))
    bit = data.draw(st.integers(0, 8 * len(body) - 1))
    body[bit // 8] ^= 1 << bit % 8
    (found,) = Decoder().feed(bytes(cobs.encode(bytes(body))) + b"\0")
    assert isinstance(found, FrameRejected)
    assert found.reason == "crc"


def test_a_bit_flipped_on_the_wire_gives_no_message() -> None:
    """Every bit of every golden frame. On the wire a flip may also move a zero, so that more than
    one bit of the body changes; what remains is one chance in 65,536 each, and none here."""
    flips = 0
    for wire in golden_frames():
        for bit in range(8 * len(wire)):
            flipped = bytearray(wire)
            flipped[bit // 8] ^= 1 << bit % 8
            found = Decoder().feed(bytes(flipped) + b"\0")
            flips += 1
            for frame in found:
                if isinstance(frame, Frame):  # its type or length must give it away
                    assert SIZES.get(frame.type) != len(frame.payload), (wire.hex(), bit)
    assert flips > 10_000


def test_reasons_of_rejection() -> None:
    def reason(piece: bytes) -> str:
        (found,) = Decoder().feed(piece + b"\0")
        assert isinstance(found, FrameRejected)
        assert found.size == len(piece)
        return found.reason

    assert reason(b"\x05\x01") == "cobs"
    assert reason(bytes(cobs.encode(b"\x42\1\0"))) == "length"
    assert reason(bytes(cobs.encode(b"\x42\1\0\0\0"))) == "crc"
    assert reason(b"\x01" * (MAX_ENCODED + 1)) == "too long"
    assert Decoder().feed(b"\0\0\0") == []


def test_longest_payload_passes_and_a_longer_one_does_not() -> None:
    assert Decoder().feed(encode_raw(2, b"\1" * MAX_PAYLOAD, 0)) == [
        Frame(2, 0, b"\1" * MAX_PAYLOAD)
    ]
    (found,) = Decoder().feed(encode_raw(2, b"\1" * (MAX_PAYLOAD + 1), 0))
    assert isinstance(found, FrameRejected)
    assert found.reason == "too long"


def test_recent_pieces_are_kept_for_reports() -> None:
    decoder = Decoder(keep=2)
    wires = [encode(Heartbeat(), n) for n in range(3)]
    decoder.feed(b"".join(wires))
    assert [piece + b"\0" for piece in decoder.recent] == wires[1:]


@settings(max_examples=50)
@given(st.integers(0, 0xFFFF))
def test_round_trip(seq: int) -> None:
    sample = make_sample(50, events=3)
    found = Decoder().feed(encode(sample, seq) + encode(Close(9), seq))
    assert [frame.seq for frame in found if isinstance(frame, Frame)] == [seq, seq]
    assert isinstance(found[0], Frame)
    back = unpack(found[0].type, found[0].payload)
    assert isinstance(back, Sample)
    assert back == sample
