"""What is kept of a run's samples, from their bytes, against the plain way over all columns."""

from __future__ import annotations

import json
import math
import os
import signal
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tsdownsample import MinMaxDownsampler

from facts.shop import brute_longest_s, content, made_at
from platelink import codec
from platelink.facts import build, workers
from platelink.facts.build import bring_up
from platelink.facts.curve import DRAWN, POINTS
from platelink.facts.digest import Digest, digest, wanted
from platelink.facts.ladder import COLUMNS, RUNGS
from platelink.record import chunk
from platelink.record.reader import JournalReader
from platelink.record.rows import PackedRun
from platelink.runs import SampleBlock

RAW = ("light_sum_0", "light_count_0", "light_min_0", "light_max_0")
LIGHT = ("irradiance_mw_cm2", "channel_0_mw_cm2", "channel_1_mw_cm2", "dose_mj_cm2", "vacuum_kpa",
         "oven_c", "head_c", "tick_s", "counting")  # fmt: skip
BAKE = ("oven_c", "tick_s")


def as_chunk(block: SampleBlock) -> PackedRun:
    return PackedRun("j", "r", wanted, [(1, chunk.stub_of(0, len(block)), None)], chunk.pack(block))


def as_older_chunk(block: SampleBlock) -> PackedRun:
    """As it was before a part could be believed alone."""
    data = chunk.pack(block)
    head = chunk._HEADER.size
    version, n, _, length = chunk._HEADER.unpack_from(data)
    line = data[head : head + length].rpartition(b', "packed": ')[0] + b"}"
    crc = chunk._crc(line, chunk._columns(block))
    older = chunk._HEADER.pack(version, n, crc, len(line)) + line + data[head + length :]
    assert chunk.same(chunk.unpack(older), block)
    return PackedRun("j", "r", wanted, [(1, chunk.stub_of(0, n), None)], older)


def as_blocks(block: SampleBlock) -> PackedRun:
    half = len(block) // 2 or len(block)
    parts = [(0, half), *([(half, len(block) - half)] if half < len(block) else [])]
    rows = [
        (1 + i, chunk.stub_of(first, n), codec.encode(chunk.part_of(block, first, n), first))
        for i, (first, n) in enumerate(parts)
    ]
    return PackedRun("j", "r", wanted, rows)


STORED = [as_chunk, as_older_chunk, as_blocks]


def plainly(block: SampleBlock) -> Digest:
    """Level by level and column by column, with all that numpy has for it."""
    light = "counting" in block.values
    spans: dict[str, list[Any]] = {}
    for column, quantity in COLUMNS.items():
        if column not in block.values or light == (column == "oven_c"):
            continue
        counts = np.isfinite(block.values[column])
        if light:
            counts &= block.values["counting"] > 0.0
        if not counts.any():
            continue
        values = block.values[column][counts]
        low, high = float(values.min()) + 0.0, float(values.max()) + 0.0
        apart = 2 * np.diff(block.at_utc_ms)
        usual = int(np.median(apart)) if len(apart) else 0
        held = np.minimum(np.append(apart, usual), 3 * usual)[counts]
        mean = float(values @ held) / int(held.sum()) if held.sum() else low
        rungs = [
            [side, rung, brute_longest_s(block, column, side, rung)]
            for side in ("below", "above")
            for rung in RUNGS[quantity]
            if (low < rung <= high if side == "below" else low <= rung < high)
        ]
        longest_s = brute_longest_s(block, column, "above", -math.inf)
        at = np.flatnonzero(counts).tolist()
        first = [i for i in at if i - 1 not in at or apart[i - 1] > 3 * usual]
        parts = [[i for i in at if max(f for f in first if f <= i) == begin] for begin in first]
        all_held = np.minimum(np.append(apart, usual), 3 * usual)
        unbroken = [[int(block.at_utc_ms[p[0]]), int(all_held[p].sum())] for p in parts]
        unbroken = unbroken if len(unbroken) <= 20 else []
        spans[quantity] = [low, high, mean, longest_s, rungs, unbroken, len(block)]
    return Digest(spans, curves(block, light))


def curves(block: SampleBlock, light: bool) -> bytes | None:
    heads, parts = [], []
    for name in DRAWN:
        if name not in block.values or (light and name == "oven_c"):
            continue
        good = np.isfinite(block.values[name])
        values, at_ms = block.values[name][good], block.at_utc_ms[good]
        if not len(values):
            continue
        if len(values) > POINTS:
            each = MinMaxDownsampler().downsample(values, n_out=POINTS - 2).tolist()
            index = sorted({0, *each, len(values) - 1})
            values, at_ms = values[index], at_ms[index]
        low, high = float(values.min()), float(values.max())
        scaled = np.rint((values - low) * (65_535.0 / (high - low) if high > low else 0.0))
        heads.append([name, len(values), low, high, int(at_ms[0])])
        parts += [planes(scaled, "<u2"), planes(at_ms - at_ms[0], "<u4")]
    return zlib.compress(json.dumps(heads).encode() + b"\n" + b"".join(parts), 1) if heads else None


def planes(numbers: Any, kind: str) -> bytes:
    words = numbers.astype(kind)
    steps = np.concatenate([words[:1], words[1:] - words[:-1]])
    return steps.view(np.uint8).reshape(len(words), -1).T.tobytes()


def run(n: int, columns: tuple[str, ...], seed: int = 1, gaps: bool = False) -> SampleBlock:
    noise = np.random.default_rng(seed)
    apart = np.where(noise.random(n) < 0.05, 4000, 50) if gaps else np.full(n, 50)
    at_ms = 1_772_000_000_000 + np.cumsum(apart)
    values = {
        name: np.round(noise.normal(55.0, 20.0) + np.cumsum(noise.normal(0.0, 0.6, n)), 3)
        for name in columns
    }
    if "counting" in values:
        values["counting"] = np.where((np.arange(n) > 3) & (np.arange(n) % 97 != 96), 1.0, 0.0)
    raw = {name: noise.integers(0, 1 << 40, n).astype(np.uint64) for name in RAW[: len(columns)]}
    return SampleBlock(np.arange(n) * 50 + 50, at_ms, raw, values)


def with_nan(block: SampleBlock, share: float) -> SampleBlock:
    for name, column in block.values.items():
        if name != "counting":
            column[np.random.default_rng(3).random(len(column)) < share] = math.nan
    return block


ODD = {
    "one sample": run(1, LIGHT),
    "two": run(2, LIGHT),
    "no light is counted": run(4, LIGHT),
    "few": run(40, LIGHT),
    "of 600 points none is left out": run(600, LIGHT),
    "of 601 some": run(601, LIGHT),
    "several channels, long": run(3000, LIGHT, 4),
    "with gaps": run(900, LIGHT, 5, gaps=True),
    "a bake": run(700, BAKE, 6, gaps=True),
    "some missing": with_nan(run(800, LIGHT, 7), 0.1),
    "all missing": with_nan(run(50, LIGHT, 8), 1.1),
    "a bake with some missing": with_nan(run(80, BAKE, 9), 0.5),
    "nothing that is looked at": run(30, ("tick_s", "head_c")),
    "always the same": SampleBlock(
        np.arange(5) + 1, np.arange(5) * 50, {}, {"oven_c": np.full(5, 57.0)}
    ),
}


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("stored", STORED)
def test_it_is_what_the_plain_way_keeps(name: str, stored: Any) -> None:
    block = ODD[name]
    found, expected = digest(stored(block)), plainly(block)
    assert found.damage == ""
    assert found.spans.keys() == expected.spans.keys()
    for quantity, span in expected.spans.items():
        assert json.dumps(found.spans[quantity][:3]) == json.dumps(span[:3])
        assert found.spans[quantity][3] == pytest.approx(span[3], abs=1e-9)
        assert [r[:2] for r in found.spans[quantity][4]] == [r[:2] for r in span[4]]
        told = [r[2] for r in found.spans[quantity][4]]
        assert told == pytest.approx([r[2] for r in span[4]], abs=1e-9)
        assert [
            [list(one) for one in found.spans[quantity][5]],
            *found.spans[quantity][6:],
        ] == span[5:]
    assert found.curve == expected.curve


@pytest.mark.parametrize("stored", STORED)
def test_nothing_is_kept_of_an_empty_run(stored: Any) -> None:
    assert digest(PackedRun("j", "r", wanted)) == Digest()
    removed = PackedRun("j", "r", wanted, [(1, "0+5", None)], None, True)
    assert digest(removed) == Digest(removed=True)
    assert "cannot be read" in digest(PackedRun("j", "r", wanted, [(1, "0+5", None)])).damage


def test_what_facts_do_not_need_is_not_decoded() -> None:
    light, bake = as_chunk(run(40, LIGHT)), as_chunk(run(40, BAKE))
    assert set(light.samples().values) == {
        "irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa", "counting",
    }  # fmt: skip
    assert not light.samples().raw and set(bake.samples().values) == {"oven_c"}
    assert set(as_blocks(run(40, LIGHT)).samples().values) == set(light.samples().values)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 1 << 30))
def test_no_bit_of_a_chunk_is_free_when_a_part_is_read(bit: int) -> None:
    good = as_chunk(run(60, LIGHT))
    assert good.body is not None
    bent = bytearray(good.body)
    bent[bit // 8 % len(bent)] ^= 1 << bit % 8
    found = digest(PackedRun("j", "r", wanted, good.rows, bytes(bent)))
    assert found.damage or found == digest(good)


# --- by other processes ---------------------------------------------------------------------------


@pytest.mark.system
def test_other_processes_make_the_same_file_and_one_that_is_killed_is_done_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = made_at(tmp_path / "journal.sqlite", 8)
    alone, together, killed = (tmp_path / name for name in ("alone", "together", "killed"))
    monkeypatch.setattr(build, "BATCH", 60)
    monkeypatch.setattr(build, "MANY", 0)
    with JournalReader.open(path) as journal:
        bring_up(journal, alone)
        here: list[int] = []
        monkeypatch.setattr(
            workers, "here", lambda runs: here.append(len(runs)) or (lambda: [*map(digest, runs)])
        )
        bring_up(journal, together, processes=2)
        assert not here, "the work was done here"
        monkeypatch.setattr(workers, "_begin", end_at_once)
        bring_up(journal, killed, processes=2)
        assert here, "nobody was killed"
    assert content(alone) == content(together) == content(killed)


def end_at_once() -> None:
    os.kill(os.getpid(), signal.SIGKILL)
