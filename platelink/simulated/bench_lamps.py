"""How true the forecast of the lamps is: simulated years, looked back at from every week of them.

A rolling origin (Tashman 2000): at each Monday the forecast is made from the days before it, and
compared with what the same unit reads some weeks later. Judged by coverage and by the interval
score (Gneiting and Raftery 2007), beside two plain ways: the level stays, and a straight line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from platelink.finding.curve import F64, NoFitError, student_t
from platelink.finding.fade import LIKELY, Days, fade_of, steps_of
from platesim.lamps import LampParameters, wear_fraction

YEAR = 364
HORIZONS_D = (7, 14, 28)
FIRST_ORIGIN_D = 70
TUBES = 6


@dataclass(frozen=True, slots=True)
class Year:
    """A simulated unit through a year; one row a working day."""

    days: Days
    steps: tuple[int, ...]
    """Rows before which something happened: a tube out, dirt, cleaning."""
    told: tuple[int, ...]
    """Those of them that a person entered: cleaning."""


@dataclass(frozen=True, slots=True)
class Scores:
    """Of one way to foretell, at one horizon. Levels in percent."""

    n: int
    coverage_pct: float
    interval_score_pct: float
    width_pct: float


@dataclass(frozen=True, slots=True)
class LampBench:
    """What ``bench_lamps`` found. Coverage is ``stated_pct`` where it is right."""

    years: int
    stated_pct: float
    forecast: dict[int, Scores]
    """By days on, where nothing happened between; of it nobody can know before."""
    forecast_all: dict[int, Scores]
    """Steps between included."""
    stays: dict[int, Scores]
    line: dict[int, Scores]
    day_n: int
    day_coverage_pct: float
    """Of the interval of the day on which the limit is exceeded."""
    day_median_off_d: float
    steps_found_pct: float
    steps_false_per_year: float


def simulated_year(seed: int, channels: int) -> Year:
    """Tubes that age unequally, mains and season, dirt and cleaning, a tube that fails, sensors
    that age: all values are invented."""
    rng = np.random.default_rng(seed)
    lamps = LampParameters(fade_hours=rng.uniform(1500.0, 4000.0))
    own = rng.uniform(0.7, 1.4, TUBES)  # each tube fades as it does
    apart = np.abs(np.arange(TUBES)[None] - np.linspace(0, 5, channels)[:, None])
    views = np.clip(1.0 - 0.22 * apart, 0.05, None)
    if channels == 1:
        views = np.ones((1, TUBES))
    views /= views.sum(axis=1, keepdims=True)
    alive, outputs = np.ones(TUBES), rng.normal(1.0, 0.03, TUBES)
    fails_d = int(rng.integers(40, 2 * YEAR))
    fouled_d, fouled_c = int(rng.integers(40, 2 * YEAR)), int(rng.integers(channels))
    hours, starts, dirt, foul = 40.0 * rng.random(), 0, 0.0, np.zeros(channels)
    mains, busy, hours_a_day = 0.0, 1.0, rng.uniform(0.6, 3.0)
    dirt_a_day, clean_d = rng.uniform(0.0, 5e-4), int(rng.integers(60, 130))
    aged = rng.uniform(0.0, 0.03, channels) / 365.0
    rows: list[tuple[float, float]] = []
    levels: list[F64] = []
    steps: list[int] = []
    told: list[int] = []
    for day in range(YEAR):
        busy = float(np.exp(0.25 * rng.standard_normal())) if day % 7 == 0 else busy
        if day % 7 >= 5 or 215 <= day < 229 or day >= 355:  # weekends and holidays
            continue
        if fails_d <= day and alive.all():
            alive[int(rng.integers(TUBES))] = 0.0
            steps.append(len(rows))
        if fouled_d <= day and not foul.any():
            foul[fouled_c] = 0.06
            steps.append(len(rows))
        if clean_d <= day:
            clean_d += int(rng.integers(60, 130))
            if dirt > 0.01 or foul.any():
                steps.append(len(rows))
                told.append(len(rows))
            dirt, foul = 0.0, np.zeros(channels)
            fouled_d = YEAR if fouled_d <= day else fouled_d
        dirt += dirt_a_day * busy
        mains = 0.8 * mains + 0.6 * 0.006 * rng.standard_normal()
        season = 0.008 * np.sin(2.0 * np.pi * (day + 50.0) / 365.0)
        wear = np.array([wear_fraction(lamps, hours / one, round(starts / one)) for one in own])
        fresh = 1.0 - 0.05 * (1.0 - np.exp(-hours / 40.0))
        light = outputs * alive * wear * fresh * np.exp(mains + season - dirt)
        # Of the day's longest exposures, warm and less warm, the median.
        each = rng.normal(0.0, 0.004, (max(3, round(8 * busy)), channels))
        each -= 0.02 * rng.random((len(each), 1))
        seen = np.log(12.0 * views @ light) - foul - aged * day + np.median(each, axis=0)
        rows.append((float(day), hours))
        levels.append(seen)
        hours += hours_a_day * busy * rng.uniform(0.8, 1.2)
        starts += round(30 * busy)
    day_h = np.array(rows)
    return Year(Days(day_h[:, 0], day_h[:, 1], np.array(levels)), tuple(steps), tuple(told))


@dataclass(slots=True)
class _Tally:
    inside: list[bool]
    score: list[float]
    width: list[float]

    def add(self, low: float, high: float, was: float) -> None:
        outside = max(low - was, was - high, 0.0)
        self.inside.append(outside == 0.0)
        self.width.append(100.0 * (high - low))
        self.score.append(100.0 * (high - low + 2.0 / (1.0 - LIKELY) * outside))

    def scores(self) -> Scores:
        if not self.inside:
            return Scores(0, float("nan"), float("nan"), float("nan"))
        return Scores(
            len(self.inside), 100.0 * float(np.mean(self.inside)), float(np.mean(self.score)),
            float(np.mean(self.width)),
        )  # fmt: skip


def bench_lamps(years: int, *, first: int = 1) -> LampBench:
    """The figures of so many seeded years, half of them with one channel and half with four."""
    ways = {name: {h: _Tally([], [], []) for h in HORIZONS_D}
            for name in ("forecast", "all", "stays", "line")}  # fmt: skip
    in_days, off_days, found, missed, false = [], [], 0, 0, 0
    for seed in range(first, first + years):
        year = simulated_year(seed, 4 if seed % 2 else 1)
        steps = steps_of(year.days, year.told)
        at = [step.index for step in steps]
        hits = [any(abs(i - one) <= 3 for i in at) for one in year.steps]
        found, missed = found + sum(hits), missed + len(hits) - sum(hits)
        false += sum(all(abs(i - one) > 3 for one in year.steps) for i in at)
        limit = float(np.quantile(year.days.level.mean(axis=1), 0.15))
        for row, known in _origins(year):
            _foretell(year, row, known, ways)
            crossed = _crossing(year, row, known, limit)
            if crossed is not None:
                inside, off = crossed
                in_days.append(inside)
                off_days.append(off)
    told = {name: {h: tally.scores() for h, tally in each.items()} for name, each in ways.items()}
    return LampBench(
        years, 100.0 * LIKELY, told["forecast"], told["all"], told["stays"], told["line"],
        len(in_days), 100.0 * float(np.mean(in_days)) if in_days else float("nan"),
        float(np.median(np.abs(off_days))) if off_days else float("nan"),
        100.0 * found / max(1, found + missed), false / years,
    )  # fmt: skip


def _origins(year: Year) -> Iterator[tuple[int, Days]]:
    """Each Monday: its row, and what was known before it."""
    days = year.days
    for row in range(1, len(days.day)):
        if days.day[row] % 7 == 0 and days.day[row] >= FIRST_ORIGIN_D:
            yield row, Days(days.day[:row], days.used[:row], days.level[:row])


def _last_step(year: Year, known: Days) -> int:
    told = [i for i in year.told if i < len(known.day)]
    steps = steps_of(known, told)
    return steps[-1].index if steps else 0


def _foretell(year: Year, row: int, known: Days, ways: dict[str, dict[int, _Tally]]) -> None:
    days, mean = year.days, year.days.level.mean(axis=1)
    for horizon in HORIZONS_D:
        later = np.flatnonzero(days.day >= known.day[-1] + horizon)
        if not len(later):
            continue
        then, was = int(later[0]), float(mean[later[0]])
        ahead = float(days.day[then] - known.day[-1])
        quiet = not any(row <= step <= then for step in year.steps)
        try:
            low, high = fade_of(known, _last_step(year, known)).within(ahead)
        except NoFitError:
            continue  # it says so, and foretells nothing
        ways["all"][horizon].add(low, high, was)
        if not quiet:
            continue
        ways["forecast"][horizon].add(low, high, was)
        before = known.level.mean(axis=1)
        ways["stays"][horizon].add(*_stays(known.day, before, ahead), was)
        ways["line"][horizon].add(*_line(known.day, before, ahead), was)


def _stays(day: F64, level: F64, ahead: float) -> tuple[float, float]:
    """As it is, give or take what it moved by in as many days before."""
    then = np.searchsorted(day, day - ahead)
    moved = level[then < np.arange(len(day))] - level[then[then < np.arange(len(day))]]
    half = float(np.quantile(np.abs(moved), LIKELY))
    return float(level[-1]) - half, float(level[-1]) + half


def _line(day: F64, level: F64, ahead: float) -> tuple[float, float]:
    """Least squares through all days, with its textbook interval."""
    n, x = len(day), day - day.mean()
    slope = float(x @ level / (x @ x))
    off = level - level.mean() - slope * x
    sd, at = float(np.sqrt(off @ off / (n - 2))), float(x[-1]) + ahead
    half = student_t(n - 2, LIKELY) * sd * float(np.sqrt(1.0 + 1.0 / n + at**2 / (x @ x)))
    mean = float(level.mean()) + slope * at
    return mean - half, mean + half


def _crossing(year: Year, row: int, known: Days, limit: float) -> tuple[bool, float] | None:
    """Whether the interval of the day holds the day, and by how much the likely one is off. The day
    is that from which on a week of working days is below; None where none is foretold, or where
    something happened before it."""
    days, mean = year.days, year.days.level.mean(axis=1)
    if float(np.median(mean[max(0, row - 5) : row])) < limit:
        return None
    smooth = np.array([np.median(mean[i : i + 5]) for i in range(row, len(mean) - 4)])
    below = np.flatnonzero(smooth < limit)
    if not len(below):
        return None
    then = row + int(below[0])
    if any(row <= step <= then + 4 for step in year.steps):
        return None
    try:
        early, likely, late = fade_of(known, _last_step(year, known)).below(limit)
    except NoFitError:
        return None
    if likely is None:
        return None
    on = float(days.day[then] - known.day[-1])
    inside = (early is None or early - 3.0 <= on) and (late is None or on <= late + 3.0)
    return inside, likely - on
