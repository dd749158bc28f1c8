"""Views that ask the record: which plates, two side by side, what a sensor touches."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platelink.contract.facts import Compared, Difference, Piece, Pieces, There, Touched
from platelink.units import IRRADIANCE, PRESSURE, TEMPERATURE, Quantity
from platelink.web.records import moment_of
from platelink.web.service import SIGN_IN, ServiceSays, get, part
from platelink.web.show import show
from platelink.web.words import N_

_A = TypeVar("_A", Pieces, Compared, Touched)
AT_MOST, MANY = 100, 1000
MOST_DOSES = 50
"""Plates whose doses are stated again for one view: each is integrated from its samples."""
CHOICES = 40
"""So many values stand as a list to touch; of more the value is typed."""


class Field(NamedTuple):
    """A condition of the form. ``kind``: known, text, date, number."""

    name: str
    label: str
    kind: str = "known"


GROUPS = (
    (
        N_("What it was"),
        (
            Field("plate", N_("Plate or run"), "text"), Field("job", N_("Job")),
            Field("lot", N_("Lot")), Field("screen", N_("Screen")), Field("recipe", N_("Recipe")),
            Field("revision", N_("Revision")), Field("operator", N_("Person")),
            Field("kind", N_("Kind")), Field("unit", N_("Unit"), "text"),
        ),
    ),
    (
        N_("When, and with what"),
        (
            Field("since", N_("From"), "date"), Field("until", N_("To"), "date"),
            Field("lamp_set", N_("Lamp set (1: the first on record)")),
            Field("sensor", N_("Sensor")), Field("calibration", N_("Calibration")),
            Field("lamps_of", N_("Same lamps and day (UTC) as"), "text"),
        ),
    ),
    (
        N_("How it went"),
        (
            Field("verdict", N_("Verdict")), Field("state", N_("Ended as")),
            Field("alarm", N_("Alarm")),
            Field("off_pct", N_("Dose off by more than"), "number"),
        ),
    ),
)  # fmt: skip
FIELDS = (
    Field("text", N_("Part of a name, job or note"), "text"),
    *(f for _, g in GROUPS for f in g),
)
LISTS = {"screen": "screens", "operator": "people", "alarm": "alarms", "sensor": "sensors",
         "calibration": "calibrations"}  # fmt: skip
"""Conditions that are true of one of several values."""
QUANTITIES: Mapping[str, tuple[Quantity, str]] = {
    "vacuum": (PRESSURE, "vacuum"),
    "irradiance": (IRRADIANCE, "irradiance"),
    "oven": (TEMPERATURE, "temperature"),
}
"""What a threshold is of, and whose unit of the shop it has."""
NAMES = (N_("vacuum"), N_("irradiance"), N_("oven"))
READY = (
    {"verdict": "reject"}, {"off_pct": "1"}, {"where": "vacuum below 50 kPa for 2 s"},
    {"limit": str(AT_MOST)},
)  # fmt: skip
"""Questions that are asked with one touch."""
_WHERE = re.compile(r"(\w+) (below|above) (-?[\d.]+) (\S+)(?: for ([\d.]+) s)?")


class Level(NamedTuple):
    """A threshold that is asked for, in platelink's own units."""

    quantity: str
    side: str
    level: float
    seconds: float
    decimals: int = 1
    """With which the level was written."""

    @property
    def shown_as(self) -> str:
        """Whose unit its level is shown in."""
        return QUANTITIES[self.quantity][1]


class Condition(NamedTuple):
    """One of those that are asked for, and the address without it."""

    name: str
    label: str
    value: str
    level: Level | None
    without: str


class Row(NamedTuple):
    """One found, and what of it answers: label and value."""

    piece: Piece
    because: list[tuple[str, str]]


def where_of(quantity: str, side: str, level: str, seconds: str, unit: str) -> str:
    """A threshold as the service and the command line take it."""
    whole = f"{quantity} {side} {level.strip()} {unit}"
    return f"{whole} for {seconds.strip()} s" if seconds.strip() else whole


def level_of(where: str) -> Level | None:
    """What ``where_of`` wrote; None of what was written otherwise."""
    found = _WHERE.fullmatch(where)
    if found is None or found[1] not in QUANTITIES:
        return None
    try:
        level = QUANTITIES[found[1]][0].parse(f"{found[3]} {found[4]}")
        digits = len(found[3].partition(".")[2])
        return Level(found[1], found[2], level, float(found[5] or 0.0), max(1, digits))
    except ValueError:
        return None


def wanted(query: QueryParams, display: Mapping[str, str]) -> list[tuple[str, str]]:
    """What is asked, as it stands in an address: without what was left empty, and each threshold as
    a sentence."""
    found = [
        (name, text) for name, value in query.multi_items()
        if (text := value.strip()) and name in KNOWN
    ]  # fmt: skip
    quantity, side = query.get("quantity", ""), query.get("side", "")
    if quantity in QUANTITIES and side in ("below", "above"):
        unit = display[QUANTITIES[quantity][1]]
        level, seconds = query.get("level", ""), query.get("seconds", "")
        found.append(("where", where_of(quantity, side, level, seconds, unit)))
    return found


KNOWN = {"where", "between", "limit", *(field.name for field in FIELDS)}
"""Names in an address that ask something."""


def conditions(asked: Sequence[tuple[str, str]]) -> list[Condition]:
    """Each by the word of its field."""
    labels = {field.name: field.label for field in FIELDS} | {"between": N_("Made between")}
    found: list[Condition] = []
    between = [value for name, value in asked if name == "between"]
    for i, (name, value) in enumerate(asked):
        rest = [one for j, one in enumerate(asked) if j != i]
        if name == "between":
            if value != between[0] or any(one.name == name for one in found):
                continue
            rest = [one for one in asked if one[0] != "between"]
            value = " – ".join(between)  # noqa: PLW2901 -- both are one condition
        if name != "limit":
            level = level_of(value) if name == "where" else None
            without = f"/ask?{urlencode(rest)}"
            found.append(Condition(name, labels.get(name, ""), value, level, without))
    return found


def because(piece: Piece, asked: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """What of one that was found is as it was asked, but for thresholds and numbers."""
    found: list[tuple[str, str]] = []
    for field in FIELDS:
        for value in (value for name, value in asked if name == field.name):
            if field.name == "text":
                texts = [piece.name, piece.run_id, piece.job, piece.lot, piece.recipe,
                         *piece.screens, *piece.people, *piece.notes, *piece.defects]  # fmt: skip
                hits = [t for t in texts if t and value.casefold() in t.casefold()]
                found += [(field.label, hit) for hit in dict.fromkeys(hits)]
            elif field.name == "lamps_of":
                found.append((N_("Lamp set (1: the first on record)"), piece.lamp_set))
            elif field.name in LISTS:
                each = getattr(piece, LISTS[field.name])
                found += [(field.label, one) for one in each if one.lower() == value.lower()]
            elif field.kind == "known":
                found.append((field.label, str(getattr(piece, field.name))))
    return found


async def plates(request: Request) -> Response:
    """Which plates and runs are so; the question stands in the address."""
    display = request.app.state.settings.display
    asked = wanted(request.query_params, display)
    if asked != request.query_params.multi_items():
        return RedirectResponse(f"/ask?{urlencode(asked)}" if asked else "/ask", 303)
    there, (answer, problem) = await asyncio.gather(_there(request), _pieces(request, asked))
    rows = [Row(piece, because(piece, asked)) for piece in answer.made] if answer else []
    others = answer.imported if answer else None
    labels = {field.name: field.label for field in FIELDS}
    values: dict[str, str] = {name: value for name, value in asked if name != "between"}
    return await show(
        request, "ask.html", status=problem.status if problem else 200, asked=asked,
        conditions=conditions(asked), answer=answer, problem=problem, rows=rows, there=there,
        elsewhere=[Row(piece, because(piece, asked)) for piece in others.made] if others else [],
        cannot=[labels[name] for name in others.cannot] if others else [],
        groups=GROUPS, values=values, levels=[level_of(w) for n, w in asked if n == "where"],
        wheres=[value for name, value in asked if name == "where"],
        between=[value for name, value in asked if name == "between"], display=display,
        quantities=QUANTITIES, ready=ready(display), choices=CHOICES, many=MANY,
        more=f"/ask?{urlencode([one for one in asked if one[0] != 'limit'] + [('limit', MANY)])}",
    )  # fmt: skip


def ready(display: Mapping[str, str]) -> list[tuple[Condition | None, str]]:
    """Questions asked with one touch, and their address; levels in the units of the shop."""
    found: list[tuple[Condition | None, str]] = []
    for plain in READY:
        query = dict(plain)
        level = level_of(query.get("where", ""))
        if level is not None:
            kind, shown = QUANTITIES[level.quantity]
            at = f"{kind.to(level.level, display[shown]):g}"
            query["where"] = where_of(
                level.quantity, level.side, at, f"{level.seconds:g}", display[shown]
            )
        told = conditions(list(query.items()))
        found.append((told[0] if told else None, f"/ask?{urlencode(query)}"))
    return found


async def _there(request: Request) -> There:
    """What can be touched; nothing where it cannot be had: then it is typed."""
    try:
        return await get(request, There, "/v1/ask/values")
    except ServiceSays as error:
        if error.status == SIGN_IN:
            raise
        return There(values={}, more=[])


async def _pieces(
    request: Request, asked: Sequence[tuple[str, str]]
) -> tuple[Pieces | None, ServiceSays | None]:
    if not asked:
        return None, None
    query: dict[str, Any] = {
        name: [v for n, v in asked if n == name] if name in ("where", "between") else value
        for name, value in asked
    }
    for name in ("since", "until"):
        if name in query:
            query[name] = moment_of(query[name], end=name == "until") or query[name]
    return await _answered(request, Pieces, "/v1/ask/plates", **query)


async def _answered(
    request: Request, answer: type[_A], path: str, **query: Any
) -> tuple[_A | None, ServiceSays | None]:
    """The answer, or why there is none: that stands beside what was asked."""
    try:
        return await get(request, answer, path, **query), None
    except ServiceSays as error:
        if error.status == SIGN_IN:
            raise
        return None, error


# --- two side by side ---------------------------------------------------------------------


class What(NamedTuple):
    """A fact of a plate as people read it. ``form``: a quantity's name, or s, pct, count, um, word;
    empty: as it is."""

    label: str
    form: str = ""


WHATS = {
    "kind": What(N_("Kind"), "word"), "state": What(N_("Ended as"), "word"),
    "verdict": What(N_("Verdict"), "word"), "job": What(N_("Job")),
    "operator": What(N_("Person")), "lot": What(N_("Lot")), "recipe": What(N_("Recipe")),
    "revision": What(N_("Revision")), "screens": What(N_("Screens")),
    "alarms": What(N_("Alarms"), "words"),
    "lamp_set": What(N_("Lamp set (1: the first on record)")),
    "calibrations": What(N_("Calibrations")), "defects": What(N_("Defects")),
    "deviations": What(N_("Deviations")), "firmware": What(N_("firmware")),
}  # fmt: skip
OF_A_STEP = {
    "state": What(N_("Ended as"), "word"), "target_mj_cm2": What(N_("target dose"), "dose"),
    "dose_mj_cm2": What(N_("dose"), "dose"), "off_pct": What(N_("dose error"), "pct"),
    "light_s": What(N_("light on"), "s"), "in_band_s": What(N_("in band"), "s"),
    "pull_down_s": What(N_("pull-down"), "s"),
    "contact_weaker": What(N_("contact weaker, times"), "count"),
    "gaps": What(N_("gaps in the samples"), "count"),
    "vacuum low": What(N_("lowest vacuum"), "vacuum"),
    "vacuum high": What(N_("highest vacuum"), "vacuum"),
    "vacuum mean": What(N_("mean vacuum"), "vacuum"),
    "irradiance low": What(N_("lowest irradiance"), "irradiance"),
    "irradiance high": What(N_("highest irradiance"), "irradiance"),
    "irradiance mean": What(N_("mean irradiance"), "irradiance"),
    "oven low": What(N_("lowest oven temperature"), "temperature"),
    "oven high": What(N_("highest oven temperature"), "temperature"),
    "oven mean": What(N_("mean oven temperature"), "temperature"),
    "depth_um": What(N_("depth"), "um"), "actual_s": What(N_("duration"), "s"),
    "water_mean_c": What(N_("water, mean"), "temperature"),
}  # fmt: skip


def named(what: str) -> tuple[str, What]:
    """The step, with what stands before the name of the fact; and the fact."""
    if what in WHATS:
        return "", WHATS[what]
    plain = what.rstrip("'")
    for name, found in OF_A_STEP.items():
        if plain.endswith(f" {name}"):
            again = what[len(plain) :]
            return plain.removesuffix(name).strip() + again, found
    return "", What(what)


async def two(request: Request) -> Response:
    """Two plates side by side, the greatest differences first."""
    asked = [name.strip() for name in request.query_params.getlist("plate") if name.strip()]
    found: Compared | None = None
    problem: ServiceSays | None = None
    if len(asked) == 2:
        found, problem = await _answered(
            request, Compared, "/v1/ask/compare", first=asked[0], second=asked[1]
        )
    differences: list[tuple[str, What, Difference]] = [
        (*named(one.what), one) for one in (found.differences if found else ())
    ]
    return await show(
        request, "ask_compare.html", status=problem.status if problem else 200, asked=asked,
        found=found, problem=problem, differences=differences,
        same=[named(what) for what in found.same] if found else [],
    )  # fmt: skip


# --- a sensor that was wrong --------------------------------------------------------------

CORRECTIONS = ("factor", "slope", "dark")


async def sensor(request: Request) -> Response:
    """What was read with a sensor since a day; with a correction the doses again."""
    names = ("sensor", "since", "until", *CORRECTIONS)
    values = {name: request.query_params.get(name, "").strip() for name in names}
    given = {name: values[name] for name in CORRECTIONS if values[name]}
    answer: Touched | None = None
    problem: ServiceSays | None = None
    if values["sensor"] and values["since"]:
        answer, problem = await _answered(
            request, Touched, f"/v1/ask/sensors/{part(values['sensor'])}",
            since=moment_of(values["since"]) or values["since"],
            until=moment_of(values["until"], end=True) or values["until"],
            limit=MOST_DOSES if given else AT_MOST, **given,
        )  # fmt: skip
    return await show(
        request, "ask_sensor.html", status=problem.status if problem else 200, values=values,
        answer=answer, problem=problem, corrected=bool(given), there=_there(request),
        rows=[Row(piece, []) for piece in answer.made] if answer else [],
    )  # fmt: skip
