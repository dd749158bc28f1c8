"""Sample blocks come back to the bit."""

import json
import zlib
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from record.make import block, same

from platelink.codec import check_block, decode, encode, join, row_of
from platelink.runs import SampleBlock

_NAMES = st.lists(st.text(max_size=12), max_size=4, unique=True)


@st.composite
def blocks(draw: st.DrawFn) -> SampleBlock:
    n = draw(st.integers(0, 40))
    words = hnp.arrays(np.uint64, n)
    ticks = sorted(
        draw(st.lists(st.integers(-(2**63), 2**63 - 1), min_size=n, max_size=n, unique=True))
    )
    return SampleBlock(
        ticks=np.array(ticks, np.int64),
        at_utc_ms=draw(hnp.arrays(np.int64, n)),
        raw={name: draw(words) for name in draw(_NAMES)},
        # Any 64 bits: both zeros, infinities, quiet and signalling NaN with every payload.
        values={name: draw(words).view(np.float64) for name in draw(_NAMES)},
    )


@given(blocks(), st.integers(0, 2**63))
def test_round_trip_is_exact(given_block: SampleBlock, first: int) -> None:
    check_block(given_block)
    back = decode(encode(given_block, first))
    assert back.first_sample == first
    assert same(back.block, given_block)


def test_layout_is_the_documented_one() -> None:
    # Decoded by hand, word by word, in plain integers: independent of numpy's views.
    small = SampleBlock(
        ticks=np.array([5, 7], np.int64),
        at_utc_ms=np.array([9, 8], np.int64),
        raw={"a": np.array([2**64 - 1, 0], np.uint64)},
        values={},
    )
    data = encode(small, 3)
    assert data[:13] == bytes([1, 2, 0, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0])
    line, _, planes = zlib.decompress(data[13:]).partition(b"\n")
    assert json.loads(line) == {"raw": ["a"], "values": []}
    words = [
        int.from_bytes(bytes(planes[c * 16 + p * 2 + i] for p in range(8)), "little")
        for c in range(3)
        for i in range(2)
    ]
    # zigzag: 5 -> 10, +2 -> 4; 9 -> 18, -1 -> 1; 2^64-1 is -1 -> 1, then +1 -> 2
    assert words == [10, 4, 18, 1, 1, 2]


@given(st.binary(max_size=60))
def test_garbage_is_refused_as_such(data: bytes) -> None:
    with pytest.raises(ValueError, match="block"):
        decode(data)


@given(st.integers(0, 300), st.integers(1, 255))
def test_a_changed_byte_never_changes_a_sample(position: int, flip: int) -> None:
    # zlib's Adler-32 guards the columns, the length guards the count; deflate ends in a few bits
    # that mean nothing.
    data = bytearray(encode(block(), 0))
    data[position % len(data)] ^= flip
    with suppress(ValueError):
        assert same(decode(bytes(data)).block, block())


def test_wrong_columns_are_named() -> None:
    good = block(3)
    bad_length = SampleBlock(good.ticks, good.at_utc_ms, {"x": np.zeros(2, np.uint64)}, {})
    with pytest.raises(ValueError, match=r"column x is uint64\[2\], must be uint64\[3\]"):
        check_block(bad_length)
    bad_type = SampleBlock(good.ticks, good.at_utc_ms, {"x": np.zeros(3, np.int64)}, {})  # type: ignore[dict-item]
    with pytest.raises(ValueError, match="int64"):
        check_block(bad_type)
    standing = SampleBlock(np.array([1, 1, 2]), good.at_utc_ms, {}, {})
    with pytest.raises(ValueError, match="do not increase"):
        check_block(standing)


def test_join_and_row_of() -> None:
    whole = block(30)
    parts = [block(10), block(10, first=10), block(10, first=20)]
    assert same(join(parts), whole)
    assert same(row_of(whole, -1), block(1, first=29))
    assert same(row_of(whole, 3), block(1, first=3))
    assert len(join([])) == 0


def test_steady_samples_compress() -> None:
    # 6 columns of 8 bytes; a year of runs has to fit on a small disk.
    assert len(encode(block(20), 0)) < 0.5 * 6 * 8 * 20
