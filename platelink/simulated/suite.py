"""What all benches found, as one file: figures read from it, held against aims, compared. Pure.

Where a figure stands in a bench's own JSON is a path of names and places with dots between;
``*`` is every member, of which the worst is taken, ``#`` how many there are.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Final

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

FORMAT: Final = 1


class Better(StrEnum):
    """Which way a figure is better."""

    HIGHER = "higher"
    LOWER = "lower"
    WITHIN = "within"
    """Within its aim; there is no better within it."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What a figure shall reach: ``at``, times what the bench itself states at ``stated``."""

    at: float
    most: float | None = None
    """The upper end, of Better.WITHIN."""
    stated: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: where it is found, and how it is read."""

    name: str
    bench: str
    where: str
    unit: str
    better: Better
    aim: Aim | None = None
    to: str = ""
    """What it is a ratio to; empty: it is no ratio."""
    of_computer: bool = True
    """Another computer gives another one. False: a ratio within one run, or seeded."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)


class Machine(_Part):
    """Where it was measured."""

    processor: str
    cores: Annotated[int, Field(ge=1)]
    """That this process may use."""
    python: str
    system: str

    def is_as(self, other: Machine) -> bool:
        """Times measured on both can be compared."""
        return (self.processor, self.cores) == (other.processor, other.cores)


class Ran(_Part):
    """One bench."""

    exit_code: int
    seconds: Annotated[float, Field(ge=0.0)]
    result: dict[str, Any] | None
    """Its own JSON; None where it gave none."""
    reason: str | None = None
    """Why it gave none."""


class Suite(_Part):
    """All of them; the file that ``bench all`` writes."""

    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)] = FORMAT
    version: str
    commit: str | None
    """None: not in a checkout."""
    changed: bool
    """Files differ from the commit."""
    at_utc: AwareDatetime
    quick: bool
    machine: Machine
    benches: dict[str, Ran]


class Row(_Part):
    """A figure as it was found."""

    figure: str
    bench: str
    value: float | None
    unit: str
    better: Better
    aim: str | None
    kept: bool | None
    """None: nothing stated, or not measured."""
    ratio_to: str | None


class SuiteError(Exception):
    """A file that is no result of ``bench all``, or cannot be compared; the text says why."""


def read_suite(text: str, name: str) -> Suite:
    """The file ``name``; ``SuiteError`` for another format, or what is none."""
    try:
        found = parsed(text)
    except (ValueError, RecursionError) as error:
        raise SuiteError(f"{name} is no file of 'platelink bench all --out': {error}") from None
    if not isinstance(found, dict) or "format" not in found:
        raise SuiteError(f"{name} has no format; give a file of 'platelink bench all --out'")
    if found["format"] != FORMAT:
        raise SuiteError(
            f"{name} has format {found['format']}, this platelink reads {FORMAT}; measure it again"
        )
    try:
        return Suite.model_validate(found)
    except ValidationError as error:
        first = error.errors()[0]
        raise SuiteError(f"{name}: {'.'.join(map(str, first['loc']))}: {first['msg']}") from None


def parsed(text: str) -> Any:
    """JSON, in which NaN and infinity are no numbers either; ``ValueError``."""
    return json.loads(text, parse_constant=_no_number)


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")


def value_of(figure: Figure, benches: dict[str, Ran]) -> float | None:
    """What was found of it; None where nothing was, or no finite number."""
    ran = benches.get(figure.bench)
    values = [] if ran is None or ran.result is None else list(_at(ran.result, figure.where))
    if not values:
        return None
    return min(values) if figure.better is Better.HIGHER else max(values)


def _at(found: Any, where: str) -> Iterator[float]:
    name, _, rest = where.partition(".")
    if not where:
        number = isinstance(found, int | float) and not isinstance(found, bool)
        if number and math.isfinite(found):
            yield float(found)
    elif name == "#":
        if isinstance(found, list | dict):
            yield float(len(found))
    elif name == "*":
        for each in found.values() if isinstance(found, dict) else found or ():
            yield from _at(each, rest)
    elif isinstance(found, dict) and name in found:
        yield from _at(found[name], rest)
    elif isinstance(found, list) and name.isdigit() and int(name) < len(found):
        yield from _at(found[int(name)], rest)


def rows(figures: Sequence[Figure], benches: dict[str, Ran]) -> list[Row]:
    """The flat table: every figure of the benches that were run."""
    return [_row(figure, benches) for figure in figures if figure.bench in benches]


def _row(figure: Figure, benches: dict[str, Ran]) -> Row:
    value, limits = value_of(figure, benches), _limits(figure, benches)
    kept = None if value is None or limits is None else limits[0] <= value <= limits[1]
    return Row(
        figure=figure.name, bench=figure.bench, value=value, unit=figure.unit,
        better=figure.better, aim=None if limits is None else _words(*limits), kept=kept,
        ratio_to=figure.to or None,
    )  # fmt: skip


def _limits(figure: Figure, benches: dict[str, Ran]) -> tuple[float, float] | None:
    if figure.aim is None:
        return None
    at = figure.aim.at
    if figure.aim.stated:
        ran = benches[figure.bench]
        stated = next(iter(_at(ran.result, figure.aim.stated)), None)
        if stated is None:
            return None
        at *= stated
    if figure.better is Better.HIGHER:
        return at, math.inf
    if figure.better is Better.LOWER:
        return -math.inf, at
    return at, math.inf if figure.aim.most is None else figure.aim.most


def _words(low: float, high: float) -> str:
    if math.isinf(low):
        return f"<= {high:g}"
    return f">= {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"


# --- two files ------------------------------------------------------------------------------


class Change(StrEnum):
    """What became of a figure."""

    BETTER = "better"
    SAME = "same"
    """Within the noise."""
    WORSE = "WORSE"
    GONE = "NOT MEASURED"
    """In the new one; it was in the old."""
    NEW = "new"
    OTHER = "other computer"
    """Not judged: a time of another computer."""


class Compared(_Part):
    """One figure of both."""

    figure: str
    unit: str
    old: float | None
    new: float | None
    ratio: float | None
    """New to old."""
    better: Better
    change: Change
    ratio_to: str | None


class Comparison(_Part):
    """All figures of two files."""

    noise: float
    same_computer: bool
    notes: list[str]
    figures: list[Compared]
    worse: int


def compare(figures: Sequence[Figure], old: Suite, new: Suite, noise: float) -> Comparison:
    """``noise``: a factor of 1 + noise either way is none. ``SuiteError`` where sizes differ."""
    if old.quick != new.quick:
        which, other = ("old", "new") if old.quick else ("new", "old")
        raise SuiteError(
            f"the {which} one was measured with --quick, the {other} one without: their figures "
            "come from different numbers of cases; measure both alike"
        )
    alike = old.machine.is_as(new.machine)
    found = [
        one
        for figure in figures
        if figure.bench in old.benches or figure.bench in new.benches
        if (one := _compared(figure, old, new, noise, judged=alike or not figure.of_computer))
    ]
    worse = sum(one.change in (Change.WORSE, Change.GONE) for one in found)
    return Comparison(
        noise=noise, same_computer=alike, notes=list(_notes(old, new)), figures=found, worse=worse
    )


def _compared(
    figure: Figure, old: Suite, new: Suite, noise: float, *, judged: bool
) -> Compared | None:
    before, after = value_of(figure, old.benches), value_of(figure, new.benches)
    if before is None and after is None:
        return None
    ratio = None if not before or after is None else after / before
    if after is None:
        change = Change.GONE
    elif before is None:
        change = Change.NEW
    elif not judged:
        change = Change.OTHER
    else:
        change = _change(figure, before, after, noise, new)
    return Compared(
        figure=figure.name, unit=figure.unit, old=before, new=after, ratio=ratio,
        better=figure.better, change=change, ratio_to=figure.to or None,
    )  # fmt: skip


def _change(figure: Figure, before: float, after: float, noise: float, new: Suite) -> Change:
    limits = _limits(figure, new.benches)
    if figure.better is Better.WITHIN and limits is not None:
        before, after = (max(limits[0] - v, v - limits[1], 0.0) for v in (before, after))
    good, bad = (after, before) if figure.better is Better.HIGHER else (before, after)
    if bad > good * (1.0 + noise):
        return Change.WORSE
    return Change.BETTER if good > bad * (1.0 + noise) else Change.SAME


def _notes(old: Suite, new: Suite) -> Iterator[str]:
    if not old.machine.is_as(new.machine):
        was, now = (
            f"{one.machine.processor}, {one.machine.cores} cores" for one in (old, new)
        )  # fmt: skip
        yield (
            f"other computer: {was}; then {now}. Times and rates are not judged; ratios within "
            "one run and seeded figures are."
        )
    if old.machine.python != new.machine.python:
        yield f"Python {old.machine.python}, then {new.machine.python}"
    for name, ran in new.benches.items():
        if ran.result is None:
            yield f"new: {name} gave nothing: {ran.reason}"
    for name, ran in old.benches.items():
        if ran.result is None:
            yield f"old: {name} gave nothing: {ran.reason}"
        if name not in new.benches:
            yield f"{name} was run in the old one only"
