"""A tape holds what it was given to the bit, whatever that was, and its limits hold."""

from __future__ import annotations

import hashlib
import itertools
import math
import random
import struct
from collections import namedtuple
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.control.contact.past import Told
from platelink.daemon.taping import Taping
from platelink.link.framing import encode
from platelink.link.messages import Heartbeat, OrderState, Rearm, Sample
from platelink.tape import columns, frames, parts
from platelink.tape.files import folder_of, is_packed, pack_part, part_path, section, tapes
from platelink.tape.inputs import Kind, Record, pack, records
from platelink.unit.stamp import Stamp


def sample(tick: int, light: int) -> Sample:
    return Sample(
        tick=tick, inputs=1, outputs=3, latched=0, order_state=1, close_reason=0, events=7,
        order=4, light_sum=(light, 0, 0, 2**63), light_count=(tick, 0, 0, 0),
        light_min=(3, 0, 0, 0), light_max=(9, 0, 0, 65535), vacuum_sum=4, vacuum_count=1,
        vacuum_min=2, vacuum_max=5, oven_sum=6, oven_count=1, head_sum=8, head_count=1,
        order_sum=-light, order_target=2**40, rx_bad=0, rx_overrun=0,
    )  # fmt: skip


@pytest.fixture(autouse=True, scope="module")
def columns_of_few() -> Iterator[None]:
    """Also of a handful of frames."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("platelink.tape.frames._FEW", 2)
        yield


def spoiled(frame: bytes, at: int) -> bytes:
    """With a bit turned on the way: its check does not fit any more."""
    at %= len(frame) - 1
    turned = frame[at] ^ (1 if frame[at] != 1 else 2)
    return frame[:at] + bytes((turned,)) + frame[at + 1 :]


SOUND = st.one_of(
    st.builds(
        lambda tick, light, seq: encode(sample(tick, light), seq),
        st.integers(0, 2**32 - 1), st.integers(0, 2**40), st.integers(0, 65535),
    ),
    st.builds(
        lambda target, seq: encode(Rearm(1, target), seq),
        st.integers(-(2**63), 2**63 - 1), st.integers(0, 65535),
    ),
)  # fmt: skip
FRAMES = st.one_of(
    SOUND,
    st.builds(spoiled, SOUND, st.integers(0, 500)),
    st.binary(max_size=40),
    st.just(b"\0"),
)
STAMPS = st.builds(
    Stamp,
    st.one_of(
        st.floats(0.0, 1e7, allow_nan=False), st.integers(0, 10**12).map(lambda us: us / 1e6)
    ),
    st.integers(0, 2**45),
)
RECORDS = st.one_of(
    st.builds(Record, st.sampled_from([Kind.DATA, Kind.SENT]), STAMPS, FRAMES),
    st.builds(
        Record, st.sampled_from([k for k in Kind if k is not Kind.DATA]), STAMPS,
        st.binary(max_size=60),
    ),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(RECORDS, min_size=1, max_size=30))
def test_columns_come_back_to_the_bit(given_: list[Record]) -> None:
    assert list(columns.unpack(columns.pack(given_))) == given_
    assert list(records(b"".join(r.pack() for r in given_))) == given_


@settings(max_examples=60, deadline=None)
@given(st.lists(RECORDS, min_size=1, max_size=8), st.data())
def test_a_frame_cut_anywhere_comes_back(given_: list[Record], data: st.DataObject) -> None:
    """The port gives bytes as they come, not frame by frame."""
    stream = b"".join(encode(sample(50 * i, 900 * i), i) for i in range(6))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=9)))
    edges = [0, *cuts, len(stream)]
    pieces = [stream[a:b] for a, b in itertools.pairwise(edges)]
    cut = [Record(Kind.DATA, Stamp(i / 8, i), piece) for i, piece in enumerate(pieces)]
    mixed = [*cut, *given_]
    assert list(columns.unpack(columns.pack(mixed))) == mixed


def test_frames_are_a_few_bytes_in_columns() -> None:
    """Of the device's 160 bytes a frame; with light that flickers by a hundredth."""
    taken = [
        Record(
            Kind.DATA, Stamp(i * 0.05, 10**12 + 50 * i),
            encode(sample(50 * i, 9000 * i + (7919 * i) % 90), i % 65536),
        )
        for i in range(4000)
    ]  # fmt: skip
    whole = sum(len(r.body) for r in taken)
    assert len(columns.pack(taken)) < 0.05 * whole
    beat = [Record(Kind.SENT, Stamp(0.0, 0), encode(Heartbeat(), 1))]
    assert list(columns.unpack(columns.pack(beat))) == beat


def lit(seconds: int, seed: int) -> list[Record]:
    """Inputs in light, as a port gives them: 20 frames a second, each up to a millisecond late and
    with the noise of a count; what is written after each; a heartbeat after every fourth."""
    noise = random.Random(seed)
    made: list[Record] = []
    light = order = 0
    for i in range(20 * seconds):
        seen = 50 * 600 + round(noise.gauss(0.0, 20.0))
        light, order = light + seen, order + 4000 * (seen - 50 * 31)
        frame = sample(50 * i, light)._replace(
            order_state=OrderState.OPEN, order_sum=order, order_target=2**40,
            oven_sum=50 * 500 + round(noise.gauss(0.0, 7.0)),
        )  # fmt: skip
        late_s = i * 0.05 + noise.random() * 1e-3
        at = Stamp(round(1000.0 + late_s, 6), 10**12 + math.floor(1e3 * late_s))
        made.append(Record(Kind.DATA, at, encode(frame, i)))
        made.append(Record(Kind.WRITTEN, at, b"\1"))
        if i % 4 == 0:
            made.append(Record(Kind.SENT, at, encode(Heartbeat(), i // 4)))
    return made


def test_light_costs_less_than_twice_what_is_chance_in_it() -> None:
    """Chance: of the time, even over 1000 µs, log2(1000) bits; of counts with a normal spread s,
    log2(s sqrt(2 pi e)) bits (Shannon 1948): 10.0, 6.4 and 4.9 bits, 2.7 bytes a frame. The sum of
    the order, which follows from the light, its check and the clock's UTC cost nothing."""
    taken = lit(100, seed=5)
    chance = math.log2(1000.0) + sum(
        math.log2(s * math.sqrt(2 * math.pi * math.e)) for s in (20, 7)
    )
    packed = columns.pack(taken)
    assert list(columns.unpack(packed)) == taken
    assert len(packed) < 2.0 * 2000 * chance / 8.0


def test_a_time_that_is_no_whole_microsecond_costs_itself_only() -> None:
    """A timer is told to have come when it was due, to the bit."""
    taken = lit(100, seed=6)
    plain = len(columns.pack(taken))
    odd = 1040.1234567891
    taken[900] = taken[900]._replace(at=Stamp(odd, taken[900].at.utc_ms))
    packed = columns.pack(taken)
    assert list(columns.unpack(packed)) == taken
    assert len(packed) < plain + 60


def test_a_field_that_this_release_knows_not_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tape's columns are read without the table of messages."""
    stream = b"".join(encode(sample(50 * i, 900 * i), i) for i in range(60))
    packed = parts.pack(frames.apart("DATA", stream))
    monkeypatch.setattr("platelink.tape.frames.TYPES", {})
    monkeypatch.setattr("platelink.tape.frames.SIZES", {})
    assert frames.together("DATA", parts.unpack(packed)) == stream


@pytest.mark.parametrize(
    "told",
    [
        {"DATA which": b"\2"},
        {"DATA which": b"\2", "DATA": b""},
        {"DATA which": b"\0\0\0", "DATA": b"one\0"},
        {"DATA which": np.zeros(1, np.uint64), "DATA": b""},
        {"DATA which": b"\2", "DATA": b"", "DATA 2 0 O": np.zeros(1, np.uint64)},
        {"DATA which": b"\2", "DATA": b"", "DATA 2 0 q 7 1": np.zeros(1, np.uint64),
         "DATA 2 0 q 7 1 where": b"\1"},
    ],
)  # fmt: skip
def test_parts_that_are_no_frames_are_refused(told: parts.Parts) -> None:
    everything = parts.unpack(columns.pack([Record(Kind.TICK, Stamp(1.0, 1), b"")]))
    columns.unpack(parts.pack(everything))
    with pytest.raises(ValueError, match=r"."):
        columns.unpack(parts.pack({**everything, "DATA": np.zeros(0, np.uint64), **told}))


@pytest.mark.parametrize("cut", [0, 5, 30, -1])
def test_bytes_that_are_no_columns_are_refused(cut: int) -> None:
    packed = columns.pack([Record(Kind.DATA, Stamp(1.0, 1), encode(sample(1, 1), 1))])
    with pytest.raises(ValueError, match=r"."):
        columns.unpack(packed[:cut])


def test_a_record_that_claims_to_be_endless_is_refused() -> None:
    head = struct.pack("<BdqI", 0, math.pi, 5, 2**31)
    with pytest.raises(ValueError, match="a record of 2147483648 bytes"):
        list(records(head + b"x" * 50))


def test_a_record_of_no_known_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="a record of kind 7"):
        list(records(pack(7, Stamp(1.0, 1), b"")))


def taping(directory: Path, most_bytes: int = 10**9, part_bytes: int = 10**6) -> Taping:
    return Taping(directory / "j.tapes", most_bytes, "unit-1", "", dict, part_bytes=part_bytes)


class NoRecord:
    """As much of a journal as a tape begins with."""

    uuid = "0" * 16

    def last_number(self) -> int:
        return 7


def begun(directory: Path, **limits: int) -> Taping:
    made = taping(directory, **limits)
    made.begin(NoRecord(), Stamp(1.0, 1000), (), ())  # type: ignore[arg-type]
    return made


def put(to: Taping, count: int, size: int = 100) -> bytes:
    """So many records; the bytes they are."""
    whole = b""
    for i in range(count):
        to.put(Kind.SENT, Stamp(float(i), i), bytes([i % 251]) * size)
        whole += pack(Kind.SENT, Stamp(float(i), i), bytes([i % 251]) * size)
    return whole


def test_parts_follow_each_other_and_the_hash_is_of_all(tmp_path: Path) -> None:
    tape = begun(tmp_path, part_bytes=1000)
    whole = b""
    for _ in range(5):
        whole += put(tape, 20)
        tape._write()
    (found,) = tapes(tmp_path / "j.tapes")
    assert len(found.parts) == 5
    assert b"".join(r.pack() for r in found.records()) == whole
    assert tape._hash.hexdigest() == hashlib.sha256(whole).hexdigest()
    assert found.beginning().entries == 7
    for path in found.parts[:2]:
        pack_part(path)
        assert is_packed(path)
    assert b"".join(r.pack() for r in found.records()) == whole


def test_the_oldest_go_and_the_present_one_never(tmp_path: Path) -> None:
    for _ in range(3):
        old = begun(tmp_path)
        put(old, 200)
        old._write()
    folder = tmp_path / "j.tapes"
    names = [tape.name for tape in tapes(folder)]
    assert names == sorted(names) and len(set(names)) == 3
    for _ in range(4):
        tape = begun(tmp_path, most_bytes=40_000)
        put(tape, 200)
        tape._write()
        for _ in range(6):
            tape._tidy()
        left = tapes(folder)
        assert left[-1].name == tape.tape
        assert sum(one.bytes() for one in left[:-1]) < 40_000
    assert names[0] not in [one.name for one in left]


def test_packing_waits_while_it_is_not_quiet(tmp_path: Path) -> None:
    put(old := begun(tmp_path), 50)
    old._write()
    now = begun(tmp_path)
    now.quiet = lambda: False
    with pytest.raises(InterruptedError):
        now._tidy()
    assert not is_packed(tapes(tmp_path / "j.tapes")[0].parts[0])


def test_where_it_cannot_be_written_it_ends_and_says_so(tmp_path: Path) -> None:
    tape = begun(tmp_path)
    put(tape, 10)
    tape._write()
    part_path(tmp_path / "j.tapes", tape.tape, 0).unlink()
    (tmp_path / "j.tapes").rmdir()
    put(tape, 10)
    tape._write()
    assert tape.fault.startswith("inputs are not taped: ")
    assert tape.fault.endswith("No such file or directory")
    put(tape, 1)
    assert not tape._queue


def test_the_last_space_is_for_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    tape = begun(tmp_path)
    left = namedtuple("left", "free")
    monkeypatch.setattr("shutil.disk_usage", lambda path: left(free=99_000_000))
    put(tape, 10)
    tape._write()
    assert tape.fault.endswith("the space left is for the record")
    assert caplog.messages == [tape.fault]
    assert list(tapes(tmp_path / "j.tapes")[0].records()) == []


def test_where_there_is_no_place_it_does_not_begin(tmp_path: Path) -> None:
    (tmp_path / "j.tapes").write_text("in the way")
    tape = begun(tmp_path)
    assert tape.fault.startswith("inputs are not taped: ")
    assert tape.told(()) == ()


def test_none_is_kept_where_none_is_wanted(tmp_path: Path) -> None:
    tape = begun(tmp_path, most_bytes=0)
    tape.start()
    tape.stop()
    assert not (tmp_path / "j.tapes").exists()


def test_a_part_that_was_cut_off_ends_there(tmp_path: Path) -> None:
    tape = begun(tmp_path)
    whole = put(tape, 3)
    tape._write()
    (found,) = tapes(tmp_path / "j.tapes")
    with found.parts[0].open("ab") as file:
        file.write(section(b"R", put(tape, 3))[:-5])
    assert b"".join(r.pack() for r in found.records()) == whole


def told(n: int, held_kpa: float | None, seed: int = 0) -> Told:
    """An exposure's vacuum: 20 values a second by a clock that is a little off, of 13 levels."""
    levels = np.random.default_rng(seed).integers(0, 13, n)
    t_s = 1257.7 + 100.0 * seed + 0.05000001134 * np.arange(n)
    return Told(t_s, 86.0 + levels / 225.0, held_kpa, None)


def test_what_it_begins_with_comes_back_to_the_bit_and_is_short(tmp_path: Path) -> None:
    contact = [told(600, 86.5), told(1, None), told(0, 85.0), told(460, 86.25)]
    contact[0].vacuum_kpa[7] = math.nan
    made = taping(tmp_path)
    made.begin(NoRecord(), Stamp(1.0, 1000), (), contact)  # type: ignore[arg-type]
    (found,) = tapes(tmp_path / "j.tapes")
    again = found.beginning().contact
    assert [(one.held_kpa, one.settles_s) for one in again] == [
        (one.held_kpa, one.settles_s) for one in contact
    ]
    for one, other in zip(again, contact, strict=True):
        assert one.t_s.tobytes() == other.t_s.tobytes()
        assert one.vacuum_kpa.tobytes() == other.vacuum_kpa.tobytes()
    made = taping(tmp_path)
    kept = [told(600, 86.5, seed) for seed in range(40)]
    made.begin(NoRecord(), Stamp(1.0, 1000), (), kept)  # type: ignore[arg-type]
    chance = 40 * 600 * math.log2(13) / 8.0  # bytes of levels by lot
    assert tapes(tmp_path / "j.tapes")[1].bytes() < 2.0 * chance


def test_it_lies_beside_its_journal() -> None:
    assert folder_of(Path("/x/journal.sqlite")) == Path("/x/journal.tapes")
