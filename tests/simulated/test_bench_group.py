"""The group's bench: that units do what real ones do, and that what is lost is seen."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from platelink.publish.lines import RunTags, points_of
from platelink.publish.payloads import payload_of
from platelink.publish.services import BrokerService, StoreService
from platelink.publish.store import Store, StoreSettings
from platelink.publish.topics import Address
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import AnyEntry, RunEnd, RunEvent, RunSamples, RunStart
from platelink.simulated import group_plate
from platelink.simulated.bench_group import bench_group
from platelink.simulated.group_fleet import Size
from platelink.simulated.group_found import Block, Missing, Readable, Told, told_by
from platelink.simulated.group_plate import CYCLE_MS, Pattern, begins_before

UNIT, SITE = "unit-1", "invented-group"
BEGUN_MS = time.time_ns() // 1_000_000 - 3_600_000
PATIENCE_S = 60.0
needs_store = pytest.mark.skipif(
    not (BrokerService.find() and StoreService.find()), reason="broker or store is not installed"
)


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Pattern:
    directory = tmp_path_factory.mktemp("pattern")
    group_plate.record(directory)
    return group_plate.load(directory)


@pytest.fixture(scope="module")
def path(pattern: Pattern, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a unit that has made one plate."""
    path = tmp_path_factory.mktemp("unit") / "unit.sqlite"
    with Journal.open(path, unit=UNIT, new_uuid=UNIT, ballast_bytes=4096) as journal:
        for _, begun_ms, piece in islice(pattern.due(BEGUN_MS), len(pattern.pieces)):
            pattern.append(journal, piece, begun_ms)
    return path


# --- what a unit writes ------------------------------------------------------------------------


def test_a_plate_of_a_unit_is_the_one_that_was_made(pattern: Pattern, path: Path) -> None:
    with JournalReader.open(path) as reader:
        written = [row.entry for row in reader.outbox_after(0, 100_000)]
    assert len(written) == len(pattern.pieces) > 400
    for entry, piece in zip(written, pattern.pieces, strict=True):
        made = piece.entry
        assert entry.kind == made.kind and entry.unit == UNIT
        assert (entry.at_utc - made.at_utc).total_seconds() * 1000 == BEGUN_MS - pattern.begun_ms
        if isinstance(entry, RunSamples) and isinstance(made, RunSamples):
            assert (entry.values, entry.ticks) == (made.values, made.ticks)
            shift_ms = {a - b for a, b in zip(entry.at_utc_ms, made.at_utc_ms, strict=True)}
            assert shift_ms == {BEGUN_MS - pattern.begun_ms}
    assert {entry.state for entry in written if isinstance(entry, RunEnd)} == {"complete"}


def test_the_room_of_a_stream_is_reckoned_by_what_a_unit_sends(path: Path) -> None:
    """The figures of docs/scale.md, *Reckoned*."""
    with JournalReader.open(path) as reader:
        entries = [row.entry for row in reader.outbox_after(0, 100_000)]
    plain, packed = (sum(len(payload_of(e, blocks=b)) for e in entries) for b in (False, True))
    a_day = 86_400_000 / CYCLE_MS
    said = " ".join((Path(__file__).parents[2] / "docs/scale.md").read_text("utf-8").split())
    for figure in (
        f"{len(entries)} messages of {plain / len(entries) / 1e3:.1f} kB",
        f"{plain * a_day / 1e6:.0f} MB a day ({packed * a_day / 1e6:.0f} MB with `broker.blocks`)",
        f"publishes {len(entries) * 1000 / CYCLE_MS:.2f} messages a second",
        f"`stream_gb` to {plain * a_day / 1e9:.3f} times",
    ):
        assert figure in said


def test_a_quarter_of_a_units_time_is_light_and_then_it_says_something_each_second(
    pattern: Pattern,
) -> None:
    assert 0.2 < pattern.lit_share < 0.3
    ends = [piece.entry for piece in pattern.pieces if isinstance(piece.entry, RunEnd)]
    for end in (end for end in ends if end.light_s):
        blocks = [p for p in pattern.pieces
                  if isinstance(p.entry, RunSamples) and p.entry.run_id == end.run_id]  # fmt: skip
        contact_s = 15.0  # before it, with samples as well
        assert end.light_s is not None and 0.0 <= len(blocks) - end.light_s <= contact_s


def test_plates_follow_each_other_and_none_overlaps(pattern: Pattern) -> None:
    due = list(islice(pattern.due(BEGUN_MS), 3 * len(pattern.pieces)))
    assert {begun_ms for _, begun_ms, _ in due} == {BEGUN_MS + n * CYCLE_MS for n in range(3)}
    assert pattern.pieces[-1].at_ms < CYCLE_MS
    entries, samples = pattern.told_by(BEGUN_MS, BEGUN_MS + 2 * CYCLE_MS - 1, before=1)
    assert (entries, samples) == (3 * len(pattern.pieces), 3 * pattern.samples)
    week = begins_before(BEGUN_MS, 110)
    gaps_ms = np.diff([*week, BEGUN_MS])
    assert gaps_ms.min() == CYCLE_MS and week[0] > BEGUN_MS - 5 * 86_400_000


def test_the_status_shows_the_run_under_its_name(pattern: Pattern) -> None:
    at_ms = next(p.at_ms for p in pattern.pieces if isinstance(p.entry, RunSamples)) + 20_000
    first, second = (pattern.detail(BEGUN_MS, BEGUN_MS + at_ms + n * CYCLE_MS) for n in range(2))
    assert first["light"] == "on" and first["dose_mj_cm2"] == second["dose_mj_cm2"] > 0.0
    assert first["run_id"].startswith(f"{BEGUN_MS // 1000}-") and first != second


# --- what is lost is seen ----------------------------------------------------------------------


def lines_of(entries: list[AnyEntry]) -> Iterator[list[str]]:
    """As a recorder writes them: no two points of a series at one time."""
    taken: set[tuple[str, int]] = set()
    tags = {e.run_id: RunTags(e.step, e.slot) for e in entries if isinstance(e, RunStart)}
    for entry in entries:
        address = Address(SITE, UNIT, entry.run_id, entry.kind)
        run = tags[entry.run_id] if entry.run_id else RunTags("")
        points = points_of(entry, address, run, order=1)
        if points is None:
            continue
        at_ms = list(points.at_ms)
        while (points.series, at_ms[0]) in taken:
            at_ms[0] += 1
        taken.update((points.series, at) for at in at_ms)
        yield points.lines(at_ms)


def until(ask: Callable[[], Missing], wanted: Callable[[Missing], bool]) -> Missing:
    """The first answer of the kind; the last one where none came in time."""
    end = time.monotonic() + PATIENCE_S
    while not wanted(found := ask()) and time.monotonic() < end:
        time.sleep(0.2)
    return found


class Given(Readable):
    """A store that gives back these points."""

    def __init__(self, at_ms: list[int], index: list[float]) -> None:
        super().__init__("", SITE)
        self.points = np.array(at_ms), np.array(index)
        self.newest: dict[int, float] = {}

    def _export(self, unit, names, from_ms=0):  # type: ignore[no-untyped-def]
        yield "sample", ("film", "0"), *self.points

    def _query(self, query):  # type: ignore[no-untyped-def]
        metric = {"unit": UNIT, "step": "film", "slot": "0"}
        return [{"metric": metric, "value": [0, str(s)]} for s in self.newest.values()]


def told_of(*parts: tuple[int, list[int]]) -> Told:
    """Of each block the index of its first sample, and times in ms."""
    return Told(
        blocks=[Block(at[-1], ("film", "0"), first, np.array(at), {}) for first, at in parts]
    )


@pytest.mark.parametrize(
    ("at_ms", "index", "samples", "twice"),
    [
        ([10, 20, 30, 40], [0, 1, 2, 3], 0, 0),
        ([40, 30, 20, 10], [3, 2, 1, 0], 0, 0),  # in parts, the newer one first
        ([10, 20, 40], [0, 1, 3], 1, 0),
        ([10, 20, 30], [0, 1, 2], 1, 0),
        ([10, 20, 31, 40], [0, 1, 2, 3], 1, 0),  # at another time it is another sample
        ([10, 20, 30, 40], [0, 1, 1, 3], 1, 0),  # of another run
        ([10, 20, 20, 30, 40], [0, 1, 1, 2, 3], 0, 1),
        ([], [], 4, 0),
    ],
)  # fmt: skip
def test_every_sample_is_looked_for(
    at_ms: list[int], index: list[float], samples: int, twice: int
) -> None:
    told = told_of((0, [10, 20]), (2, [30, 40]))
    found = Given(at_ms, index).missing(UNIT, told)
    assert (found.samples, found.twice, found.lost) == (samples, twice, samples)


def test_an_entry_is_readable_at_the_first_look_that_finds_its_last_sample(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    store, looked_ms = Given([], []), iter((1_000_000, 1_000_500, 1_001_000))
    monkeypatch.setattr(time, "time_ns", lambda: next(looked_ms) * 1_000_000)
    told = told_of((0, [999_000, 999_500]), (2, [1_000_200, 1_000_400]), (4, [1_000_900]))
    for newest_s in (999.4, 999.5, 1000.4):
        store.newest = {1: newest_s}
        store.look()
    lags_s = list(store.lags_s(UNIT, told, 0, 2_000_000))
    assert lags_s == pytest.approx([1.0, 0.6, 0.1])  # the last is not found: it takes longer
    assert list(store.lags_s(UNIT, told, 999_501, 1_000_900)) == pytest.approx([0.6])


@needs_store
@pytest.mark.system
def test_a_dropped_message_is_seen(path: Path, tmp_path: Path) -> None:
    told = told_by(path, values_from_ms=0)
    with JournalReader.open(path) as reader:
        entries = [row.entry for row in reader.outbox_after(0, 100_000)]
    samples = [e for e in entries if isinstance(e, RunSamples)]
    event = [e for e in entries if isinstance(e, RunEvent)][20]
    dropped = [samples[100], event]
    service = StoreService(tmp_path / "store")
    service.start()
    try:
        store = Store(StoreSettings(service.url))
        readable = Readable(service.url, SITE)
        sent = list(lines_of([e for e in entries if e not in dropped or e is entries[0]]))
        store.write("\n".join(line for lines in sent for line in lines))
        n = len(samples[100].ticks)

        def ask() -> Missing:
            return readable.missing(UNIT, told)

        found = until(ask, lambda one: (one.samples, one.others) == (n, 1))
        values = sum(v is not None for of in samples[100].values.values() for v in of)
        assert (found.samples, found.others, found.wrong) == (n, 1, values)
        assert found.lost == n + 1 + values and found.twice == 0
        assert readable.count([UNIT]) == told.samples - n

        starts = [e for e in entries if isinstance(e, RunStart)]
        late = list(lines_of([*starts, *dropped]))
        store.write("\n".join(line for lines in late for line in lines))
        found = until(ask, lambda one: not one.lost)
        assert (found.lost, found.values > 40_000) == (0, True)
        block = told.blocks[7]
        changed = {name: (9e9, *column[1:]) for name, column in block.values.items()}
        told.blocks[7] = replace(block, values=changed)
        assert readable.missing(UNIT, told).wrong == len(changed)
        store.close()
    finally:
        service.stop()


# --- all of it ---------------------------------------------------------------------------------


@needs_store
@pytest.mark.alone
@pytest.mark.system
@pytest.mark.timeout(600)
def test_a_small_group_loses_nothing_while_one_catches_up() -> None:
    found = bench_group(Size(units=12, behind=1, plates=2, recorders=2), 6.0)
    assert found.lost == 0 and found.twice == 0
    assert found.values > 0 and found.samples > 20_000
    assert found.messages_a_s > 0.0
    assert found.lag.n > 0 and 0.0 < found.lag.p50_s <= found.lag_p99_s <= found.lag.max_s
    cpu = found.cpu_per_unit
    assert min(cpu.publisher, cpu.broker, cpu.recorder, cpu.store) >= 0.0 < cpu.publisher
    assert found.memory_mb_per_unit is not None and found.memory_mb_per_unit > 0.0
    back = found.catch_up
    assert back is not None and back.units == 1
    assert back.entries > 900 and back.entries_a_s > 0.0
