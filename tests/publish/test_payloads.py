"""Entries as bytes: JSON, and samples as blocks that tell the same."""

import json
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from publish import publish_samples as ps
from pydantic import ValidationError

from platelink.codec import encode
from platelink.publish.intake import Accepted, Rejected, judge
from platelink.publish.payloads import MARK, MOST, payload_of, read_entry
from platelink.publish.topics import Topics
from platelink.runs import EXACT, RunSamples, SampleBlock

TOPIC = Topics(ps.SITE, ps.UNIT).of(ps.samples(3, 0, 1))
NOW_MS = ps.AT_MS + 60_000
_VALUES = st.none() | st.floats(allow_nan=False, allow_infinity=False)
_NAMES = st.lists(st.from_regex(r"[a-z_]{1,12}", fullmatch=True), max_size=4, unique=True)


@st.composite
def entries(draw: st.DrawFn) -> RunSamples:
    n = draw(st.integers(0, 30))
    whole = st.lists(st.integers(-EXACT, EXACT), min_size=n, max_size=n)
    column = st.lists(_VALUES, min_size=n, max_size=n)
    return ps.samples(3, 0, 1).model_copy(
        update={
            "first_sample": draw(st.integers(0, EXACT)),
            "ticks": tuple(draw(whole)),
            "at_utc_ms": tuple(draw(whole)),
            "values": {name: tuple(draw(column)) for name in draw(_NAMES)},
        }
    )


@given(entries())
def test_a_block_tells_the_same_as_json(entry):
    as_block, as_json = payload_of(entry, blocks=True), payload_of(entry, blocks=False)
    assert as_block[:1] == MARK and as_json[:1] == b"{"
    assert read_entry(as_block) == read_entry(as_json) == entry
    assert repr(read_entry(as_block).values) == repr(entry.values)  # also of which zero it is


@pytest.mark.parametrize(
    "entry", [e for e in ps.whole_run(2, 10) if e.kind != "samples"], ids=lambda e: e.kind
)
def test_what_has_no_samples_is_json_always(entry):
    assert payload_of(entry, blocks=True) == payload_of(entry, blocks=False)


def test_blocks_of_a_second_are_half_of_json_at_the_most():
    entry = ps.samples(3, 0, 20)
    assert len(payload_of(entry, blocks=True)) < len(payload_of(entry, blocks=False)) / 2


def test_a_field_that_a_newer_writer_adds_is_left_out():
    entry = ps.samples(3, 0, 5)
    head, _, block = payload_of(entry, blocks=True)[1:].partition(b"\n")
    newer = json.dumps(json.loads(head) | {"shift": "night"}).encode()
    assert read_entry(MARK + newer + b"\n" + block) == entry


def _block(**changed: object) -> bytes:
    """A block message whose head is changed."""
    head, _, block = payload_of(ps.samples(3, 0, 5), blocks=True)[1:].partition(b"\n")
    return MARK + json.dumps(json.loads(head) | changed).encode() + b"\n" + block


def _other(columns: dict[str, list[float]], n: int) -> bytes:
    """A block message whose columns are others."""
    head = payload_of(ps.samples(3, 0, 5), blocks=True)[1:].partition(b"\n")[0]
    block = SampleBlock(
        ticks=np.arange(n, dtype=np.int64), at_utc_ms=np.full(n, ps.AT_MS, np.int64), raw={},
        values={name: np.array(column) for name, column in columns.items()},
    )  # fmt: skip
    return MARK + head + b"\n" + encode(block, 0)


GOOD = payload_of(ps.samples(3, 0, 5), blocks=True)


def test_the_ones_above_are_taken_where_nothing_is_wrong_with_them():
    for payload in (GOOD, _block(), _other({"vacuum_kpa": [1.0, 2.0]}, 2)):
        assert isinstance(judge(TOPIC, payload, utc_ms=NOW_MS), Accepted)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (MARK, "not an entry"),
        (GOOD[:-1], "not a sample block"),
        (GOOD + b"x", "not a sample block"),
        (GOOD[:40], "not an entry"),
        (MARK + b"[]" + GOOD[GOOD.index(b"\n") :], "not the head"),
        (_block(kind="event"), "not the head"),
        (_block(ticks=[1]), "not the head"),
        (_block(unit="unit-2"), "its topic says"),
        (_block(format=2), "reads format 1"),
        (_other({"a b": [1.0]}, 1), "cannot be the name of a field"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_block_is_put_aside_with_the_reason(payload, reason):
    found = judge(TOPIC, payload, utc_ms=NOW_MS)
    assert isinstance(found, Rejected) and reason in found.reason


def test_a_small_message_does_not_become_a_large_one():
    """What deflates 1,000 to 1 would take the recorder's memory."""
    head = GOOD[: GOOD.index(b"\n") + 1]
    n = MOST // 8
    line = b'{"raw": [], "values": []}\n'
    packed = b"\x01" + n.to_bytes(4, "little") + bytes(8) + zlib.compress(line + bytes(16 * n))
    assert len(packed) < 20_000
    found = judge(TOPIC, head + packed, utc_ms=NOW_MS)
    assert isinstance(found, Rejected) and "at most" in found.reason


def test_a_bit_more_or_less_is_no_fault_of_ours():
    for at in range(8 * len(GOOD)):
        data = bytearray(GOOD)
        data[at // 8] ^= 1 << at % 8
        found = judge(TOPIC, bytes(data), utc_ms=NOW_MS)
        assert isinstance(found, Accepted | Rejected)


def test_a_wrong_head_is_no_entry():
    with pytest.raises(ValidationError):
        read_entry(_block(at_utc="yesterday"))
