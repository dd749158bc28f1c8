"""What is kept of a run's samples, from their bytes: stretches and curves. Pure.

Of the columns that a run has, most are not decoded: sums and extremes of the device, each
channel by itself, ticks' length, temperatures during light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from platelink.facts import curve
from platelink.facts.ladder import COUNTING, Span, courses, span_of
from platelink.record.errors import JournalDamaged
from platelink.record.rows import PackedRun, intact


@dataclass(frozen=True, slots=True)
class Digest:
    """Of a run; nothing of one without samples."""

    spans: dict[str, list[Any]] = field(default_factory=dict)
    """``plain``, by quantity."""
    curve: bytes | None = None
    damage: str = ""
    """Why the samples cannot be read; empty where they can."""
    removed: bool = False
    """They were removed by retention: of their course nothing can be told any more."""


def wanted(names: Sequence[str]) -> set[str]:
    """Columns of values that are looked at, of those that a run has."""
    return {*curve.drawn(names), COUNTING}


def digest(run: PackedRun) -> Digest:
    """Decode, and keep what answers are made of."""
    try:
        with intact(run.path, f"the samples of run {run.run_id!s:.40}"):
            samples = run.samples()
            if run.removed and not len(samples):
                return Digest(removed=True)
            spans = {
                quantity: plain(span_of(quantity, c)) for quantity, c in courses(samples).items()
            }
            return Digest(spans, curve.pack(samples))
    except JournalDamaged as error:
        return Digest(damage=str(error))


def plain(span: Span) -> list[Any]:
    """A span as JSON has it."""
    rungs, unbroken = map(list, span.rungs), map(list, span.unbroken)
    return [span.low, span.high, span.mean, span.longest_s, [*rungs], [*unbroken], span.of]


def span_in(plainly: Sequence[Any]) -> Span:
    """The way back."""
    low, high, mean, longest, rungs, unbroken, of = plainly
    each = tuple((side, at, s) for side, at, s in rungs)
    return Span(low, high, mean, longest, each, tuple((at, s) for at, s in unbroken), of)
