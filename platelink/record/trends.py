"""Figures of plates by day, and what changed when. Reads a journal."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median
from typing import Any

from platelink.contract.runs import FILTERS, off_pct
from platelink.contract.trends import Changed, Trend, TrendDay, Trends, TrendsQuery, What
from platelink.events.event import EventName
from platelink.ledger.by import from_ms, to_ms
from platelink.record.reader import JournalReader

DAYS = 90
"""Looked back without a date."""
MOST = 12
"""Recipes' own figures shown, those with the most values first."""
_UNITS: dict[What, str] = {
    "irradiance": "mW/cm²", "pull-down": "s", "dose error": "%", "bake": "min", "depth": "µm",
}  # fmt: skip
_CHANGES = {
    "calibration": "calibration", "recipe": "recipe", "software": "version", "firmware": "version",
}  # fmt: skip


@dataclass(slots=True)
class _Run:
    run_id: str
    at_ms: int
    step: str
    plate: str | None
    end: dict[str, Any]
    facts: dict[str, list[Any]] = field(default_factory=lambda: defaultdict(list))

    def number(self, name: str) -> float | None:
        """The only number of this name, the last of several."""
        values = [v for v in self.facts.get(name, ()) if isinstance(v, int | float)]
        return float(values[-1]) if values else None


@dataclass(slots=True)
class _Values:
    """Of one figure: value by day, and what limits it."""

    days: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    corrected: int = 0
    limits: tuple[float | None, float | None] = (None, None)

    @property
    def count(self) -> int:
        return sum(map(len, self.days.values()))


def trends(reader: JournalReader, wanted: TrendsQuery, *, now: datetime) -> Trends:
    """Of the runs that are wanted; corrected values stand for what was recorded."""
    until, since = wanted.until or now, wanted.since or (wanted.until or now) - timedelta(days=DAYS)
    runs, more = _runs(reader, wanted, since, until)
    plates = {run.run_id: run for run in runs if run.step == "plate"}
    found: dict[tuple[What, str], _Values] = defaultdict(_Values)
    for run in runs:
        day = from_ms(run.at_ms).astimezone().date().isoformat()
        for what, of, value, corrected in _figures(run, plates):
            found[what, of].days[day].append(value)
            found[what, of].corrected += corrected
    _limit(reader, found, plates)
    most = sorted(found.items(), key=lambda item: -item[1].count)
    common = [item for item in most if not item[0][1]]
    return Trends(
        since_utc=since.isoformat(), until_utc=until.isoformat(), runs=len(runs), more=more,
        trends=[
            _trend(*item)
            for item in sorted([*common, *[i for i in most if i[0][1]][:MOST]], key=_order)
        ],
        changes=sorted(
            [*_new_values(runs), *_at_lamps(reader, since, until)], key=lambda one: one.at_utc
        ),
    )  # fmt: skip


def _order(item: tuple[tuple[What, str], _Values]) -> tuple[int, str]:
    (what, of), _ = item
    return list(_UNITS).index(what), of


def _trend(key: tuple[What, str], values: _Values) -> Trend:
    what, of = key
    days = [
        TrendDay(day=day, count=len(v), low=min(v), median=median(v), high=max(v))
        for day, v in sorted(values.days.items())
    ]
    low, high = values.limits
    return Trend(
        what=what, of=of, unit=_UNITS[what], low_limit=low, high_limit=high, days=days,
        corrected=values.corrected,
    )  # fmt: skip


# --- what the record holds ---------------------------------------------------------------------


def _runs(
    reader: JournalReader, wanted: TrendsQuery, since: datetime, until: datetime
) -> tuple[list[_Run], bool]:
    """Oldest first, with their ends and facts."""
    filters: Any = {name: getattr(wanted, name) for name in FILTERS}
    filters |= {"since": since, "until": until, "search": wanted.search}
    has = reader.has_facts
    ids = reader.wanted(filters, limit=wanted.limit + 1)
    more, ids = len(ids) > wanted.limit, ids[: wanted.limit]
    asked = json.dumps(ids)
    rows = reader.rows(
        "SELECT r.run_id, r.started_ms, r.step, r.plate, n.body FROM json_each(?) w "
        "JOIN runs r ON r.run_id = w.value LEFT JOIN ends e USING (run_id) "
        "LEFT JOIN entries n ON n.number = e.number ORDER BY r.started_ms, r.number",
        asked,
    )
    runs = [
        _Run(run_id, at_ms, step, plate, json.loads(body) if isinstance(body, str) else {})
        for run_id, at_ms, step, plate, body in rows
    ]
    by_id = {run.run_id: run for run in runs}
    if has:
        for run_id, name, value in reader.rows(
            "SELECT f.run_id, f.name, f.value FROM json_each(?) w "
            "JOIN facts f ON f.run_id = w.value",
            asked,
        ):
            by_id[run_id].facts[name].append(value)
    return runs, more


Figure = tuple[What, str, float, bool]


def _figures(run: _Run, plates: dict[str, _Run]) -> Iterator[Figure]:
    """What one run tells; recipes' own figures by the recipe of its plate. The irradiance is that
    of the last second of light, lamps warm; of an exposure without it the mean."""
    data = run.end.get("data")
    data = data if isinstance(data, dict) else {}
    dose = run.number("dose") or _number(run.end.get("dose_mj_cm2"))
    light_s = _number(run.end.get("light_s"))
    if dose is not None and light_s:
        lamps = data.get("lamps")
        warm = _number(lamps.get("irradiance_mw_cm2")) if isinstance(lamps, dict) else None
        yield "irradiance", "", warm or dose / light_s, False
        off = off_pct(dose, run.number("target"))
        if off is not None and run.end.get("state") == "complete":
            yield "dose error", "", off, False
    pull_down_s = run.number("pull-down")
    if pull_down_s is not None:
        yield "pull-down", "", pull_down_s, False
    in_band_s = _number(data.get("in_band_s"))
    if in_band_s is not None and run.step != "plate":
        recipe = _recipe(plates.get(run.plate or ""))
        yield "bake", f"{recipe}: {run.step}", in_band_s / 60.0, False
    corrected = {str(one) for one in run.facts.get("corrected", ())}
    for name in [name for name in run.facts if name.startswith("depth ")]:
        um = run.number(name)
        if um is not None:
            point = name.removeprefix("depth ")
            yield "depth", f"{_recipe(run)}: {point}", um, name in corrected


def _recipe(plate: _Run | None) -> str:
    """The name of its recipe, of every revision."""
    return min((plate.facts.get("recipe") or ["?"]) if plate else ["?"], key=len)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


# --- limits ------------------------------------------------------------------------------------


def _limit(
    reader: JournalReader, found: dict[tuple[What, str], _Values], plates: dict[str, _Run]
) -> None:
    """Limits as the newest plate of each recipe has them; a tolerance of doses where all recipes
    have the same one."""
    newest = {_recipe(run): run.run_id for run in plates.values()}
    tolerances: set[float] = set()
    for recipe, plate in newest.items():
        for step in _steps(reader, plate):
            name, kind = str(step.get("name")), step.get("kind")
            tolerance = _number(step.get("tolerance_pct"))
            if kind == "expose" and tolerance is not None:
                tolerances.add(tolerance)
            if kind == "bake" and ("bake", f"{recipe}: {name}") in found:
                needed_s = _number(step.get("in_band_s"))
                least = None if needed_s is None else needed_s / 60.0
                found["bake", f"{recipe}: {name}"].limits = (least, None)
            for point in step.get("point") or ():
                key: tuple[What, str] = ("depth", f"{recipe}: {point.get('name')}")
                if key in found:
                    low, high = _number(point.get("low_um")), _number(point.get("high_um"))
                    found[key].limits = (low, high)
    if len(tolerances) == 1 and ("dose error", "") in found:
        (tolerance,) = tolerances
        found["dose error", ""].limits = (-tolerance, tolerance)


def _steps(reader: JournalReader, plate: str) -> list[dict[str, Any]]:
    run = reader.run(plate)
    recipe = run.start.request.get("recipe") if run is not None else None
    steps = recipe.get("step") if isinstance(recipe, dict) else None
    return [step for step in steps if isinstance(step, dict)] if isinstance(steps, list) else []


# --- what changed ------------------------------------------------------------------------------


def _new_values(runs: Sequence[_Run]) -> Iterator[Changed]:
    """Calibrations, recipes' revisions and versions that were another one before."""
    last: dict[str, str] = {}
    for run in runs:
        for name, kind in _CHANGES.items():
            for value in map(str, run.facts.get(name, ())):
                key, _, new = _key(name, value)
                if not new:
                    continue
                before = last.get(key)
                last[key] = new
                if before not in (None, new):
                    yield Changed.model_validate({
                        "at_utc": _utc(run.at_ms), "kind": kind, "text": _said(name, key, new),
                    })  # fmt: skip


def _key(name: str, value: str) -> tuple[str, str, str]:
    if name == "calibration":
        return value.partition(": ")
    return value.partition("@") if name == "recipe" else (name, "", value)


def _said(name: str, key: str, new: str) -> str:
    return {"calibration": f"{key}: {new}", "recipe": f"{key}@{new}"}.get(name, f"{name} {new}")


_OF_LAMPS = {EventName.LAMPS_CHANGED: "lamps", EventName.LAMPS_CLEANED: "cleaning"}


def _at_lamps(reader: JournalReader, since: datetime, until: datetime) -> Iterator[Changed]:
    rows = reader.rows(
        "SELECT at_ms, json_extract(body, '$.name'), json_extract(body, '$.text') FROM entries "
        "WHERE run_id IS NULL AND kind = 'event' AND at_ms >= ? AND at_ms < ? "
        "AND json_extract(body, '$.name') IN (?, ?)",
        to_ms(since), to_ms(until), *_OF_LAMPS,
    )  # fmt: skip
    for at_ms, name, text in rows:
        kind = _OF_LAMPS[EventName(name)]
        yield Changed.model_validate({"at_utc": _utc(at_ms), "kind": kind, "text": text or name})


def _utc(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds")
