"""Runs of every kind open at once: each is recorded, checked and sent on as if it were alone."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.ledger.by import from_ms
from platelink.publish.intake import Accepted
from platelink.publish.recorder_journal import RecorderJournal
from platelink.publish.topics import Topics, parse
from platelink.record.export import run_to_csv, run_to_json
from platelink.record.reader import JournalReader
from platelink.record.writer import JournalWriter
from platelink.runs import SampleBlock
from record.make import T0, UNIT, channels, event, later, start
from record.test_check import LIGHT, bake_samples, device_samples, rows
from record.test_full_disk import CappedJournal

T0_MS = int(T0.timestamp() * 1000)
BLOCKS = 6


class Act(NamedTuple):
    """One thing done to a run, and what it adds to the counts of its samples and events."""

    do: Callable[[JournalWriter, float], None]
    samples: int = 0
    events: int = 0


def begun(run_id: str, **fields: Any) -> Act:
    return Act(lambda w, now: w.append(start(w, run_id, plate="P-1", **fields), now=now))


def described(run_id: str) -> Act:
    return Act(lambda w, now: w.append(channels(w, run_id), now=now))


def noted(run_id: str, n: int) -> Act:
    text = "longer " * 50  # so that a full disk shows
    return Act(
        lambda w, now: w.append(
            event(w, run_id, name=f"noted {n}", text=text, at=later(n)), now=now
        ),
        events=1,
    )


def moved(run_id: str, n: int) -> Act:
    """An event and the state that follows from it."""

    def do(writer: JournalWriter, now: float) -> None:
        with writer.together(now=now):
            noted(run_id, n).do(writer, now)
            writer.keep({run_id: n}, at_utc=later(n), now=now)

    return Act(do, events=1)


def sampled(run_id: str, block: SampleBlock) -> Act:
    block = SampleBlock(block.ticks, block.at_utc_ms + T0_MS, block.raw, block.values)
    at = from_ms(int(block.at_utc_ms[-1]))
    return Act(lambda w, now: w.append_samples(run_id, block, at, now=now), samples=len(block))


def ended(run_id: str, **known: Any) -> Act:
    return Act(lambda w, now: w.end_run(run_id, later(9), "complete", "", now=now, **known))


LIT = device_samples(lambda _: 10.0, BLOCKS - 0.05)  # 20 samples each second
BAKED = bake_samples(10 * BLOCKS, oven_c=120.0)
LIVES: dict[str, list[Act]] = {
    "plate": [
        begun("plate", step="plate", request={"kind": "plate"}),
        *(moved("plate", n) for n in range(2 * BLOCKS)),
        ended("plate", data={"verdict": "good"}),
    ],
    "expose": [
        begun("expose", conditions={"light": LIGHT}, target_dose_mj_cm2=60.0),
        described("expose"),
        *(
            act
            for n in range(BLOCKS)
            for act in (
                sampled("expose", rows(LIT, slice(20 * n, 20 * n + 20))),
                noted("expose", n),
            )
        ),
        ended("expose", dose_mj_cm2=10.0 * (BLOCKS - 0.05), light_s=6.0),
    ],
    "bake": [
        begun("bake", step="hardening", request={"kind": "bake"}),
        described("bake"),
        *(sampled("bake", rows(BAKED, slice(10 * n, 10 * n + 10))) for n in range(BLOCKS)),
        ended("bake", data={"mean_c": 120.0}),
    ],
}
TURNS = [kind for kind, acts in LIVES.items() for _ in acts]


def opened(path: Path) -> CappedJournal:
    return CappedJournal.open(path, unit=UNIT, new_uuid="u", ballast_bytes=4096)


def without_ids(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: without_ids(v) for name, v in value.items() if name != "id"}
    return [without_ids(v) for v in value] if isinstance(value, list) else value


def told(reader: JournalReader, run_id: str) -> list[Any]:
    """Everything anybody can read of a run, but for the numbers of its entries."""
    run, samples, events = reader.run(run_id), reader.samples(run_id), reader.events(run_id)
    assert run is not None
    entries = [r.entry for r in reader.outbox_after(0, 10_000) if r.entry.run_id == run_id]
    result = reader.check(run_id)
    return [
        without_ids(json.loads(run_to_json(run, events, samples))),
        without_ids([json.loads(entry.model_dump_json()) for entry in entries]),
        run_to_csv(run, samples),
        result.model_dump() if result else None,
    ]


def lines(reader: JournalReader, path: Path) -> dict[str, list[str]]:
    """What a recorder sends to the store, by run."""
    topics, found = Topics("site", UNIT), dict[str, list[str]]()
    recorder = RecorderJournal(path)
    for row in reader.outbox_after(0, 10_000):
        address = parse(topic := topics.of(row.entry))
        assert address is not None and address.run_id is not None
        taken = Accepted(topic, row.entry.model_dump_json().encode(), address, row.entry)
        made = recorder.commit([taken], utc_ms=T0_MS)
        if made:
            found.setdefault(address.run_id, []).extend(recorder.lines_of(made).split("\n"))
    assert recorder.counts().unknown_steps == 0
    recorder.close()
    return found


class Alone(dict[str, list[Any]]):
    """What is told of each run when it is alone."""

    def __repr__(self) -> str:  # hypothesis would print all of it
        return "alone"


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Alone:
    """Each run in a journal of its own."""
    found = Alone()
    for kind, acts in LIVES.items():
        directory = tmp_path_factory.mktemp(kind)
        with opened(directory / "journal.db") as journal:
            writer = JournalWriter(journal)
            for act in acts:
                act.do(writer, 0.0)
            reader = journal.reader
            found[kind] = [*told(reader, kind), lines(reader, directory / "recorder.db")[kind]]
        assert found[kind][3]["ok"], found[kind][3]
    return found


@settings(max_examples=40, deadline=None)
@given(
    turns=st.permutations(TURNS),
    full=st.sets(st.integers(0, len(TURNS) - 1), max_size=12),
    room=st.sets(st.integers(0, len(TURNS) - 1), max_size=12),
    restart=st.integers(0, len(TURNS) - 1),
)
def test_interleaved_runs_are_as_if_alone(
    alone: Alone,
    tmp_path_factory: pytest.TempPathFactory,
    turns: list[str],
    full: set[int],
    room: set[int],
    restart: int,
) -> None:
    directory = tmp_path_factory.mktemp("runs")
    journal = opened(directory / "journal.db")
    writer, done = JournalWriter(journal), dict.fromkeys(LIVES, 0)
    for i, kind in enumerate(turns):
        now, act = float(i), LIVES[kind][done[kind]]
        if i in room or done[kind] == 0 or i == restart:  # a start never waits
            journal.cap(1000)
            writer.retry(now=now)
        elif i in full:
            journal.cap(0)
        act.do(writer, now)
        done[kind] += 1
        if i == restart:
            journal.close()
            journal = opened(directory / "journal.db")
            writer = JournalWriter(journal)
            assert left_open(journal.reader) == counted(done)
    journal.cap(1000)
    writer.retry(now=float(len(turns)))
    reader = journal.reader
    for kind, one in alone.items():
        assert told(reader, kind) == one[:-1]
    assert lines(reader, directory / "recorder.db") == {k: one[-1] for k, one in alone.items()}
    assert {name: snapshots.value for name, snapshots in reader.snapshots().items()} == {
        "plate": 11
    }
    assert reader.faults() == [] and reader.open_runs() == []
    journal.close()


def left_open(journal: JournalReader) -> dict[str, tuple[int, int]]:
    runs = journal.open_runs()
    assert all(run.kind == run.start.run_id for run in runs)
    return {run.kind: (run.samples, run.events) for run in runs}


def counted(done: dict[str, int]) -> dict[str, tuple[int, int]]:
    return {
        kind: (sum(a.samples for a in LIVES[kind][:n]), sum(a.events for a in LIVES[kind][:n]))
        for kind, n in done.items()
        if 0 < n < len(LIVES[kind])
    }
