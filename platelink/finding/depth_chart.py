"""The chart of a point of a recipe, and what changed at its signals. Pure."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from platelink.contract.depths import Capability, DepthChart, DepthMade, Index, Signal
from platelink.finding.capability import RANGE_DOF, Interval, cp, cpk
from platelink.finding.charts import Broken, Limits, broken, settled

WIDE = 1.33
"""Least cpk that is usually asked for. Common practice, no source."""


def depth_chart(
    recipe: str, point: str, made: Sequence[DepthMade], limits_um: tuple[float, float] | None
) -> DepthChart:
    """``made``: oldest first. TooFewError where there are not enough."""
    values = [one.um for one in made]
    limits, out = settled(values)
    kept = [v for i, v in enumerate(values) if i not in out]
    n = len(kept)
    sd_all = math.sqrt(sum((v - limits.mean) ** 2 for v in kept) / (n - 1))
    signals = list(_signals(made, list(broken(values, limits))))
    capability, why = _capability(limits, limits_um, n, sd_all)
    if capability is not None and signals:
        why = "the chart has signals: what changes has no capability; find their causes first"
    return DepthChart(
        recipe=recipe, point=point, plates=len(made), left_out=[made[i].plate for i in out],
        mean_um=limits.mean, sd_um=limits.sd, sd_all_um=sd_all, low_um=limits.low,
        high_um=limits.high, range_um=limits.range_mean, range_high_um=limits.range_high,
        low_limit_um=limits_um[0] if limits_um else None,
        high_limit_um=limits_um[1] if limits_um else None, capability=capability, why_none=why,
        made=list(made), signals=signals,
    )  # fmt: skip


def _capability(
    limits: Limits, limits_um: tuple[float, float] | None, n: int, sd_all: float
) -> tuple[Capability | None, str]:
    if limits_um is None:
        return None, "the newest plate's recipe has no limits for this point"
    if not (limits.sd > 0.0 and sd_all > 0.0):
        return None, "all depths are the same: the gauge shows no spread"
    low, high = limits_um
    dof = RANGE_DOF * (n - 1)
    of_ranges, of_all = (limits.sd, dof), (sd_all, n - 1.0)
    return Capability(
        cp=_index(cp(low, high, *of_ranges)),
        cpk=_index(cpk(low, high, limits.mean, limits.sd, n=n, dof=dof)),
        pp=_index(cp(low, high, *of_all)),
        ppk=_index(cpk(low, high, limits.mean, sd_all, n=n, dof=n - 1.0)),
    ), ""  # fmt: skip


def _index(of: Interval) -> Index:
    return Index(value=of.value, low=of.low, high=of.high)


def _signals(made: Sequence[DepthMade], found: Sequence[Broken]) -> Iterator[Signal]:
    by_plate: dict[int, list[Broken]] = defaultdict(list)
    for one in found:
        by_plate[one.at].append(one)
    for at, rules in sorted(by_plate.items()):
        since = min(one.since for one in rules)
        yield Signal(
            plate=made[at].plate, at_utc=made[at].at_utc,
            rules=[one.text for one in rules], changed=changed(made[max(0, since - 1) : at + 1]),
        )  # fmt: skip


def changed(made: Sequence[DepthMade]) -> list[str]:
    """What became another from one of these plates to the next: where to look first."""
    said: dict[str, None] = {}
    for before, after in pairwise(made):
        for what, was, now in (
            ("lot", before.lot, after.lot), ("recipe", before.revision, after.revision),
            ("lamps", before.lamp_set, after.lamp_set),
            ("screen", " ".join(before.screens), " ".join(after.screens)),
            ("calibration", ", ".join(before.calibrations), ", ".join(after.calibrations)),
            ("operator", before.operator, after.operator),
        ):  # fmt: skip
            if was != now:
                said[f"{what} {was or 'none'} → {now or 'none'} at {after.plate}"] = None
    return list(said)
