"""How soon questions to the record are answered, beside a facts file of very many invented plates.

A journal with samples is made for a share of them, put together in chunks as the daemon does, and
brought up as any journal is; the others are drawn from those, with names, jobs, lots, people and
times of their own, and entered by the same code. They have no samples; the newest tenth has curves.
"""

from __future__ import annotations

import random
import resource
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from platelink.contract.facts import Asked
from platelink.facts.ask import Facts
from platelink.facts.both import Both
from platelink.facts.build import bring_up, facts_beside
from platelink.facts.compare import compare
from platelink.facts.derive import Made, StepFacts
from platelink.facts.file import cursor_of, enter
from platelink.facts.rows import made_rows, steps_of
from platelink.facts.schema import FACTS
from platelink.facts.sensor import touched
from platelink.facts.workers import cores
from platelink.ledger.by import from_ms
from platelink.ledger.database import Database
from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.reader import JournalReader
from platelink.simulated.invented import Shop

OPEN_MS, WITH_SAMPLES_MS, QUESTION_MS = 5.0, 20.0, 200.0
"""Aims: a plate opened, with the samples of one exposure, every question at the 99th percentile."""
RUNS_A_S = 5_000.0
T0 = datetime(2020, 1, 6, 7, 0, tzinfo=UTC)
_BATCH = 500
_WITHOUT = 300
"""Plates of a journal without samples, for the speed of building alone."""
_SAMPLED = 100
"""Plates with samples at least."""
_CURVES = 10
"""Of so many of the drawn the newest one has curves."""
_RUNS = 5
"""Of a plate: its own, three exposures, a bake."""
_BALLAST_BYTES = 64 << 10
_EVERY_MS = 900_000
_FIRST = 100_000_000
"""Numbers of the drawn plates are beyond the journal's."""


@dataclass(frozen=True, slots=True)
class Asking:
    """Times of one question, ms."""

    p50_ms: float
    p99_ms: float
    work_ms: float
    """Of the processor alone, in the mean: what a busy computer does not lengthen."""
    found: int
    """Plates of the newest answer."""
    decoded: int
    """Runs whose samples were looked at for it."""


@dataclass(frozen=True, slots=True)
class AuditBench:
    """What was measured."""

    plates: int
    with_samples: int
    open_ms: float
    """99th percentile, as the two that follow."""
    open_with_samples_ms: float
    open_work_ms: float
    """Of the processor alone, in the mean; as the next."""
    open_with_samples_work_ms: float
    questions: dict[str, Asking]
    build_s: float
    runs_a_s: float
    """Brought up from a journal without samples."""
    runs_with_samples_a_s: float
    """By all cores."""
    run_work_us: float
    """Of the processor, of a run without samples; as the next, in one process."""
    run_with_samples_work_us: float
    bytes_per_plate: float
    bytes_per_plate_with_curves: float
    rss_mb: float
    rss_mb_at_a_tenth: float
    kept: bool
    """All aims of answering were kept."""

    def to_json(self) -> dict[str, Any]:
        """As ``platelink bench audit --json`` prints it."""
        return asdict(self)


def bench_audit(n: int, share: float, repeats: int, seed: int = 1) -> AuditBench:
    """Facts of ``n`` plates, a ``share`` of them with samples (100 at least, or all)."""
    with tempfile.TemporaryDirectory(prefix="platelink-audit-") as folder:
        return _bench(Path(folder), n, min(n, max(_SAMPLED, round(n * share))), repeats, seed)


def _bench(folder: Path, n: int, with_samples: int, repeats: int, seed: int) -> AuditBench:
    bare = _brought(folder / "bare.sqlite", min(n, _WITHOUT), seed, samples=False)
    path = folder / "journal.sqlite"
    sampled = _brought(path, with_samples, seed, samples=True)
    facts = facts_beside(path)
    curves = facts.stat().st_size / with_samples
    with JournalReader.open(path) as journal:
        db = Database(facts, FACTS, read_only=False)
        try:
            drawn_s, tenth_mb, without = _draw(db, n - with_samples, seed)
        finally:
            db.close()
        db = Database(facts, FACTS, read_only=True)
        try:
            asked = Facts(db, journal)
            rng = random.Random(seed)  # noqa: S311 -- invented
            opened = _opening(asked, with_samples, repeats, rng)
            questions = {
                name: _asking(ask, repeats) for name, ask in _questions(asked, n, rng).items()
            }
        finally:
            db.close()
    open_ms, samples_ms, open_work_ms, samples_work_ms = opened
    return AuditBench(
        plates=n,
        with_samples=with_samples,
        open_ms=open_ms,
        open_with_samples_ms=samples_ms,
        open_work_ms=open_work_ms,
        open_with_samples_work_ms=samples_work_ms,
        questions=questions,
        build_s=sampled.passed_s + drawn_s,
        runs_a_s=1.0 / bare.passed_s_a_run,
        runs_with_samples_a_s=1.0 / sampled.passed_s_a_run,
        run_work_us=1e6 * bare.work_s_a_run,
        run_with_samples_work_us=1e6 * sampled.work_s_a_run,
        bytes_per_plate=without,
        bytes_per_plate_with_curves=curves,
        rss_mb=_rss_mb(),
        rss_mb_at_a_tenth=tenth_mb,
        kept=open_ms <= OPEN_MS
        and samples_ms <= WITH_SAMPLES_MS
        and all(one.p99_ms <= QUESTION_MS for one in questions.values()),
    )


@dataclass(frozen=True, slots=True)
class _Brought:
    """Facts of so many runs brought up: once by all cores, once by one process."""

    runs: int
    passed_s: float
    work_s: float
    """Of the processor, in one process."""

    @property
    def passed_s_a_run(self) -> float:
        return self.passed_s / self.runs

    @property
    def work_s_a_run(self) -> float:
        return self.work_s / self.runs


def _brought(path: Path, plates: int, seed: int, *, samples: bool) -> _Brought:
    """Write a journal, put its samples together, bring up its facts twice."""
    own: dict[str, Any] = {"unit": "unit-1", "new_uuid": f"bench-{path.stem}"}
    with Journal.open(path, **own, ballast_bytes=_BALLAST_BYTES) as journal:
        Shop(journal, T0, seed).plates(plates, samples=samples)
        packer = Packer(journal.beside)
        while packer.step():
            pass
    with JournalReader.open(path) as reader:
        worked = time.process_time()
        bring_up(reader, facts_beside(path))
        worked = time.process_time() - worked
        began = time.perf_counter()
        bring_up(reader, facts_beside(path), anew=True, processes=cores())
        return _Brought(_RUNS * plates, time.perf_counter() - began, worked)


def _rss_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


# --- very many ------------------------------------------------------------------------------


def _draw(db: Database, count: int, seed: int) -> tuple[float, float, float]:
    """Enter so many; seconds, memory after a tenth of them, and bytes a plate without curves."""
    cursor = cursor_of(db)
    assert cursor is not None
    pool = _pool(db)
    spent, tenth, before = 0.0, _rss_mb(), db.path.stat().st_size
    bare = count - count // _CURVES
    without = 0.0
    for first in range(0, count, _BATCH):
        batch = list(_drawn(pool, first, min(_BATCH, count - first), seed, bare))
        began = time.perf_counter()
        enter(db, cursor, batch, {})
        spent += time.perf_counter() - began
        if first <= count // 10:
            tenth = _rss_mb()
        if first + len(batch) <= bare:
            without = (db.path.stat().st_size - before) / (first + len(batch))
    return spent, tenth, without


def _pool(db: Database) -> list[Made]:
    """Of the plates that are there."""
    rows = made_rows(db, "1 ORDER BY number LIMIT 400", ())
    return [
        Made(
            row[0], row[1], row[2], row[4], row[5],
            tuple(StepFacts(facts, curve) for _, facts, curve in steps_of(db, row[0])),
        )
        for row in rows
    ]  # fmt: skip


def _drawn(pool: Sequence[Made], first: int, count: int, seed: int, bare: int) -> Iterator[Made]:
    """Plates like those of the pool; the first ``bare`` of all without curves."""
    rng = random.Random(f"{seed} {first}")  # noqa: S311 -- invented
    for i in range(first, first + count):
        like = rng.choice(pool)
        name, who = f"Q-{i:07d}", f"{chr(65 + i % 20)}. Invented"
        own = {
            "run_id": name, "job": f"job {i // 3}", "lot": f"L-{i // 400:05d}",
            "operator": who, "people": [who], "lamp_set": str(1 + i // 20_000),
            "revision": f"{like.facts['recipe']}@{1 + i // 30_000}",
            "calibrations": [f"light 0@{1 + i // 50_000}"],
            "notes": [f"roller {rng.randrange(100, 100_000)}"] if rng.random() < 0.1 else [],
        }  # fmt: skip
        began_ms = int(T0.timestamp() * 1000) + (i + 1000) * _EVERY_MS
        yield replace(
            like, number=_FIRST + 24 * i, name=name, began_ms=began_ms, facts=like.facts | own,
            parts=(), steps=like.steps if i >= bare else tuple(map(_bare, like.steps)),
        )  # fmt: skip


def _bare(step: StepFacts) -> StepFacts:
    return StepFacts(step.facts)


# --- asked --------------------------------------------------------------------------------


def _opening(
    asked: Facts, with_samples: int, repeats: int, rng: random.Random
) -> tuple[float, float, float, float]:
    """A plate with its curves, and with all samples of its first exposure; 99 of 100, ms. Then the
    processor's mean time of each."""
    bare, full, work = [], [], [0.0, 0.0]
    for _ in range(repeats):
        name = f"P-{rng.randrange(1, with_samples + 1):06d}"
        began, worked = time.perf_counter(), time.process_time()
        opened = asked.opened(name)
        middle, opening = time.perf_counter(), time.process_time()
        asked.journal.samples(str(opened.steps[0]["run_id"]))
        bare.append(1e3 * (middle - began))
        full.append(1e3 * (time.perf_counter() - began))
        work[0] += 1e3 * (opening - worked) / repeats
        work[1] += 1e3 * (time.process_time() - worked) / repeats
    return float(np.percentile(bare, 99)), float(np.percentile(full, 99)), work[0], work[1]


def _asking(ask: Callable[[], tuple[int, int]], repeats: int) -> Asking:
    times, found, decoded = [], 0, 0
    worked = time.process_time()
    for _ in range(repeats):
        began = time.perf_counter()
        found, decoded = ask()
        times.append(1e3 * (time.perf_counter() - began))
    work_ms = 1e3 * (time.process_time() - worked) / repeats
    p50, p99 = np.percentile(times, [50, 99]).tolist()
    return Asking(p50, p99, work_ms, found, decoded)


def _questions(
    asked: Facts, n: int, rng: random.Random
) -> dict[str, Callable[[], tuple[int, int]]]:
    """Each asks about other plates each time."""

    def some() -> int:
        return rng.randrange(max(1, n - 2_000))

    def pieces(**question: Callable[[], Any]) -> Callable[[], tuple[int, int]]:
        def ask() -> tuple[int, int]:
            answer = Both(asked).pieces(Asked(**{key: value() for key, value in question.items()}))
            return len(answer.made), answer.decoded

        return ask

    def at(i: int) -> datetime:
        return from_ms(int(T0.timestamp() * 1000) + (i + 1000) * _EVERY_MS)

    def name() -> str:
        row = asked.db.rows(
            "SELECT name FROM made WHERE number >= ? LIMIT 1", (_FIRST + 24 * some(),)
        )
        return str((row or asked.db.rows("SELECT name FROM made LIMIT 1"))[0][0])

    return {
        "newest": pieces(),
        "plate": pieces(plate=name),
        "part of a name": pieces(text=lambda: name()[:-1]),
        "note": pieces(text=lambda: f"roller {rng.randrange(100, 1000)}"),
        "job": pieces(job=lambda: f"job {some() // 3}"),
        "lot": pieces(lot=lambda: f"L-{some() // 400:05d}"),
        "screen": pieces(screen=lambda: "example-150"),
        "date": pieces(since=lambda: at(some()), limit=lambda: 100),
        "operator": pieces(operator=lambda: f"{chr(65 + rng.randrange(20))}. Invented"),
        "lamp set": pieces(lamp_set=lambda: str(1 + some() // 20_000)),
        "calibration": pieces(calibration=lambda: f"light 0@{1 + some() // 50_000}"),
        "revision": pieces(revision=lambda: f"plate-a-fine@{1 + some() // 30_000}"),
        "verdict": pieces(verdict=lambda: "reject"),
        "alarm": pieces(alarm=lambda: "contact lost"),
        "vacuum below 50 kPa for 2 s": pieces(where=lambda: ["vacuum below 50 kPa for 2 s"]),
        "a level at which few were": pieces(where=lambda: ["vacuum below 20 kPa for 4 s"]),
        "dose off by more than 1 %": pieces(off_pct=lambda: 1.0),
        "rejects of a lot with an alarm": pieces(
            lot=lambda: f"L-{some() // 400:05d}", verdict=lambda: "reject",
            alarm=lambda: "contact lost",
        ),
        "what cannot be together": pieces(
            lamp_set=lambda: "1", calibration=lambda: "light 0@999", verdict=lambda: "good"
        ),
        "what many are, and none both": pieces(
            alarm=lambda: "contact lost", operator=lambda: "A. Invented", verdict=lambda: "reject"
        ),
        "irradiance below 10 mW/cm2 for 1 s, of rejects": pieces(
            where=lambda: ["irradiance below 10 mW/cm2 for 1 s"], verdict=lambda: "reject"
        ),
        "a level between two rungs": pieces(
            where=lambda: ["irradiance above 9 mW/cm2 for 10 s"]
        ),
        "before a date": pieces(until=lambda: at(some())),
        "a part that all names have": pieces(text=lambda: "Q-0"),
        "same lamps that day": pieces(lamps_of=name),
        "made between": pieces(between=lambda: [name(), name()]),
        "compared": lambda: (len(compare(Both(asked), name(), name()).differences), 0),
        "sensor": lambda: (len(touched(asked, "light 0", at(some()), None).made), 0),
        "days": lambda: (len(asked.days().days), 0),
    }  # fmt: skip
