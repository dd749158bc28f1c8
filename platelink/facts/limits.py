"""How long a step was on one side of a level: two times, brought nearer till it is known. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from platelink.facts import between, curve, ladder
from platelink.facts.derive import Json, spans_of
from platelink.facts.ladder import Span
from platelink.facts.questions import Threshold


@dataclass(slots=True)
class Limits:
    """The longest stretch lies between them, both included."""

    asked: Threshold
    span: Span
    run_id: str
    packed: bytes | None
    """Its curves."""
    least_s: float = 0.0
    most_s: float = math.inf

    def by_rungs(self) -> None:
        """As far as extremes and rungs tell it."""
        asked = self.asked
        self.nearer(*ladder.least_and_most_s(self.span, asked.quantity, asked.side, asked.level))

    def by_curve(self) -> None:
        """As far as the curve tells it."""
        asked, drawn = self.asked, curve.unpack(self.packed).get(self.asked.column)
        if drawn is not None:
            whole = self.span.of <= curve.POINTS
            self.nearer(
                *between.least_and_most_s(drawn, whole, self.span.unbroken, asked.side, asked.level)
            )

    def nearer(self, least_s: float, most_s: float) -> None:
        """It lies between these two as well."""
        self.least_s, self.most_s = max(self.least_s, least_s), min(self.most_s, most_s)


def limits_of(asked: Threshold, steps: Sequence[tuple[Json, bytes | None]]) -> list[Limits]:
    """Of the steps that have what is asked for, with their curves."""
    spans = ((step, spans_of(step).get(asked.quantity), packed) for step, packed in steps)
    return [
        Limits(asked, span, str(step.get("run_id")), packed)
        for step, span, packed in spans
        if span is not None
    ]
