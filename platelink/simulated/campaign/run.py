"""Runs cases, and shrinks what fails to the fewest faults that still fail."""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from platelink.record.reader import JournalReader
from platelink.replay.play import play_all
from platelink.simulated.campaign.draw import Case, draw
from platelink.simulated.campaign.judge import Violation, judge
from platelink.simulated.campaign.world import World
from platelink.simulated.virtual import WORK_S, Hung, in_simulated_time, within
from platelink.tape.files import folder_of, tapes
from platesim.board import build

IN_MEMORY = Path("/dev/shm")  # noqa: S108 -- a directory of its own is made in it
"""Where journals of cases lie, if it is there: nothing of them outlives the case."""


@dataclass(frozen=True, slots=True)
class Failed:
    """A case that broke a promise, and how to play it again."""

    seed: int
    faults: tuple[str, ...]
    violations: tuple[Violation, ...]
    again: str


@dataclass(frozen=True, slots=True)
class Campaign:
    """What came of many seeds."""

    seeds: int
    violations: int
    by_rule: dict[str, int]
    by_fault: dict[str, int]
    """Of the faults that were needed."""
    struck: dict[str, int]
    """How often each kind of fault was played."""
    seconds: float
    failed: tuple[Failed, ...]


def violations_of(case: Case) -> tuple[Violation, ...]:
    """Play a case and judge it."""
    at = IN_MEMORY if IN_MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=at) as directory:
        world = World(case, Path(directory))
        try:
            with within(WORK_S):
                world.seen.faults = in_simulated_time(world.play())
        except Hung as hung:
            return (Violation("gets on", str(hung)),)
        return (*judge(world.seen), *_again(Path(directory)))


def _again(directory: Path) -> Iterator[Violation]:
    """What came in, made again from its tapes: the same, to the bit."""
    for journal in directory.glob("*.sqlite"):
        there = tapes(folder_of(journal))
        if there:
            with JournalReader.open(journal) as reader:
                for played in play_all(there, reader):
                    for told in (*played.problems, *played.differences[:1]):
                        yield Violation("same again", f"{played.tape}: {told}")


def only(case: Case, kept: Sequence[int]) -> Case:
    """The case with some of its faults."""
    return replace(case, strikes=tuple(case.strikes[i] for i in kept))


def shrunk(case: Case, violations: tuple[Violation, ...]) -> Failed:
    """The fewest faults that still break one of the same promises."""
    rules = {v.rule for v in violations}
    kept, found = list(range(len(case.strikes))), violations
    for i in tuple(kept):
        fewer = [k for k in kept if k != i]
        again = violations_of(only(case, fewer))
        if rules & {v.rule for v in again}:
            kept, found = fewer, again
    listed = ",".join(map(str, kept)) or "none"
    return Failed(
        case.seed,
        tuple(case.strikes[i].kind for i in kept),
        found,
        f"platelink bench faults --first {case.seed} --seeds 1 --only {listed}",
    )


def _play(seed: int, kept: Sequence[int] | None = None) -> Failed | None:
    case = draw(seed)
    if kept is not None:
        case = only(case, kept)
    violations = violations_of(case)
    if not violations:
        return None
    if kept is not None:
        kinds = tuple(s.kind for s in case.strikes)
        return Failed(seed, kinds, violations, "")
    return shrunk(case, violations)


def run_campaign(
    seeds: int, *, first: int = 1, kept: Sequence[int] | None = None, processes: int = 2
) -> Campaign:
    """Play ``seeds`` cases; ``kept`` plays only these faults of them."""
    build()  # once, and where a missing compiler can be told
    begun = time.monotonic()
    drawn = range(first, first + seeds)
    if seeds == 1 or processes == 1:
        found: Iterable[Failed | None] = [_play(seed, kept) for seed in drawn]
    else:
        with ProcessPoolExecutor(processes) as pool:
            found = list(pool.map(_play, drawn, chunksize=4))
    failed = tuple(f for f in found if f is not None)
    return Campaign(
        seeds=seeds,
        violations=sum(len(f.violations) for f in failed),
        by_rule=_counted(v.rule for f in failed for v in f.violations),
        by_fault=_counted(kind for f in failed for kind in f.faults),
        struck=_counted(s.kind for seed in drawn for s in draw(seed).strikes),
        seconds=time.monotonic() - begun,
        failed=failed,
    )


def _counted(names: Iterable[str]) -> dict[str, int]:
    return dict(Counter(names).most_common())
