"""What is kept of a plate, or of a run that belongs to none: from its entries. Pure.

Everything is told in plain JSON values; what serves to find it (tags, spans, stretches, text)
follows from them.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from platelink.contract.runs import off_pct
from platelink.events.event import EventName
from platelink.facts.digest import Digest, span_in
from platelink.facts.ladder import Span

DAY_MS = 86_400_000
Json = dict[str, Any]


@dataclass(slots=True)
class RunFound:
    """A run as its rows in the journal have it: bodies as they were decoded."""

    number: int
    run_id: str
    at_ms: int
    start: Json
    ended_ms: int | None = None
    end: Json | None = None
    last: int = 1 << 62
    """Number of its end; beyond all while it is open."""
    events: list[tuple[int, Json]] = field(default_factory=list)
    """Millisecond and body."""
    digest: Digest = field(default_factory=Digest)
    """Of its samples, once it is over."""
    corrected: Json | None = None
    """What the device told of its light after the end."""
    later: list[Json] = field(default_factory=list)
    """What people noted and corrected after the end of a plate, oldest first."""

    @property
    def now(self) -> Json:
        """By field what was corrected; the newest holds."""
        return {str(one["field"]): one.get("now") for one in self.later if "field" in one}

    @property
    def kind(self) -> str:
        """plate, bake, or expose where the request names none."""
        kind = (self.start.get("request") or {}).get("kind")
        return kind if isinstance(kind, str) else "expose"


@dataclass(frozen=True, slots=True)
class StepFacts:
    """One step; ``facts`` holds all but the curve."""

    facts: Json
    curve: bytes | None = None
    removed: bool = False
    """Its samples were, and with them all that tells its course."""


@dataclass(frozen=True, slots=True)
class Made:
    """A plate, or a run that belongs to none."""

    number: int
    name: str
    began_ms: int
    off_pct: float | None
    """The greatest error of its doses against their targets, without its sign."""
    facts: Json
    steps: tuple[StepFacts, ...]
    parts: tuple[int, ...] = ()
    """Numbers of the runs that are its parts: they were lone before the plate began."""

    @property
    def day(self) -> int:
        """Days since 1970, UTC."""
        return self.began_ms // DAY_MS


def made_of(
    whole: RunFound, parts: Sequence[RunFound], alarms: Iterable[str], lamp_set: int
) -> Made:
    """The facts of a plate and its parts, or of a lone run. ``alarms``: classes raised meanwhile.
    ``lamp_set``: 1 for the first lamps."""
    lone = whole.kind != "plate"
    steps = tuple(_steps(whole, [whole] if lone else parts))
    start, end = whole.start, whole.end or {}
    request, data = start.get("request") or {}, end.get("data") or {}
    now = whole.now
    recipe = request.get("recipe") or {}
    revision = request.get("revision")
    runs = (whole, *parts)
    sensors = _sensors(runs)
    errors = [abs(s.facts["off_pct"]) for s in steps if s.facts.get("off_pct") is not None]
    facts: Json = {
        "run_id": whole.run_id,
        "kind": whole.kind,
        "state": end.get("state", "open"),
        "ended_ms": whole.ended_ms,
        "reason": end.get("reason"),
        "job": now.get("job", start.get("job")),
        "note": start.get("note"),
        "operator": start.get("operator"),
        "lot": now.get("lot", request.get("lot")),
        "recipe": recipe.get("id") or (revision or "").partition("@")[0] or None,
        "revision": revision,
        "screens": _once(s.get("screen") for s in recipe.get("step") or ()),
        "verdict": now.get("verdict", data.get("judgement")),
        "corrected": sorted(now),
        "defects": list(data.get("defects") or ()),
        "deviations": list(data.get("deviations") or ()),
        "people": _people(runs),
        "alarms": _once(alarms),
        "lamp_set": str(lamp_set),
        "sensors": [name for name, _ in sensors],
        "calibrations": [by for _, by in sensors if "@" in by],
        "firmware": _once(_device(run).get("firmware") for run in runs),
        "notes": _notes(runs),
    }
    name = str(start.get("plate") or whole.run_id)
    return Made(whole.number, name, whole.at_ms, max(errors, default=None), facts, steps,
                tuple(part.number for part in parts))  # fmt: skip


# --- steps --------------------------------------------------------------------------------


def _steps(whole: RunFound, parts: Sequence[RunFound]) -> Iterator[StepFacts]:
    """Runs first, as they began; then what was done by hand."""
    yield from map(_step, parts)
    for step in ((whole.end or {}).get("data") or {}).get("steps") or ():
        if not step.get("runs") and step.get("kind") not in ("expose", "bake"):
            known = {key: value for key, value in step.items() if key not in ("name", "spans")}
            for point, um in (known.get("points_um") or {}).items():
                known["points_um"] = known["points_um"] | {
                    point: whole.now.get(f"depth {point}", um)
                }
            yield StepFacts({"step": step.get("name"), **known})


def _step(run: RunFound) -> StepFacts:
    end, request = run.end or {}, run.start.get("request") or {}
    data = end.get("data") or {}
    target, dose = run.start.get("target_dose_mj_cm2"), end.get("dose_mj_cm2")
    uncertain = data.get("uncertain_mj_cm2")
    if run.corrected is not None:
        dose = run.corrected.get("dose_mj_cm2", dose)
        uncertain = run.corrected.get("uncertain_mj_cm2", uncertain)
    facts: Json = {
        "step": run.start.get("step"),
        "kind": run.kind,
        "run_id": run.run_id,
        "state": end.get("state", "open"),
        "reason": end.get("reason"),
        "began_ms": run.at_ms,
        "ended_ms": run.ended_ms,
    }
    known: Json = {
        "target_mj_cm2": target,
        "dose_mj_cm2": dose,
        "off_pct": off_pct(dose, target),
        "uncertain_mj_cm2": uncertain,
        "light_s": end.get("light_s"),
        "gaps": end.get("gaps"),
        **{key: data.get(key) for key in ("in_band_s", "mean_c", "door_openings")},
        **{key: request.get(key) for key in ("low_c", "high_c", "dither_pct")},
        **_contact(run),
    }
    facts |= {key: value for key, value in known.items() if value is not None}
    if run.digest.spans:
        facts["spans"] = run.digest.spans
    return StepFacts(facts, run.digest.curve, run.digest.removed)


def _contact(run: RunFound) -> Json:
    held = [b["data"] for _, b in run.events if b.get("name") == EventName.CONTACT_HELD]
    weaker = sum(b.get("name") == EventName.CONTACT_WEAKER for _, b in run.events)
    found = {"pull_down_s": held[0].get("pull_down_s")} if held else {}
    return found | ({"contact_weaker": weaker} if weaker else {})


# --- what a plate was made under ----------------------------------------------------------


def _once(values: Iterable[Any]) -> list[str]:
    return list(dict.fromkeys(str(value) for value in values if value))


def _sensors(runs: Iterable[RunFound]) -> list[tuple[str, str]]:
    """Each sensor and the calibration it was read with; of a plate's own run they are the whole
    unit's, of its steps they are what those were made with."""
    found: dict[tuple[str, str], None] = {}
    for run in runs:
        light = run.start.get("conditions", {}).get("light") or {}
        named = run.start.get("conditions", {}).get("calibrations") or light.get("calibrations")
        for one in named or ():
            found[str(one.get("sensor")), str(one.get("calibration"))] = None
        for i in range(0 if named else len(light.get("channels") or ())):
            found[f"light {i}", "as configured"] = None
    return list(found)


def _device(run: RunFound) -> Json:
    return run.start.get("conditions", {}).get("device") or {}


def _people(runs: Iterable[RunFound]) -> list[str]:
    """Who asked for it, and everybody who acted on it."""
    return _once(
        who
        for run in runs
        for who in (
            run.start.get("operator"), *((b.get("data") or {}).get("who") for _, b in run.events),
            *(one.get("who") for one in run.later),
        )
    )  # fmt: skip


def _notes(runs: Iterable[RunFound]) -> list[str]:
    return _once(
        text
        for run in runs
        for text in (
            run.start.get("note"), *((b.get("data") or {}).get("note") for _, b in run.events),
            *(one.get("words") for one in run.later),
        )
    )  # fmt: skip


# --- what serves to find it ---------------------------------------------------------------

ONE = ("job", "lot", "recipe", "revision", "verdict", "state", "kind", "lamp_set")
MANY = {"operator": "people", "screen": "screens", "alarm": "alarms", "sensor": "sensors",
        "calibration": "calibrations"}  # fmt: skip
TAGS = (*ONE, *MANY)
"""What can be asked for as it is written, letters large or small."""
COURSE_REMOVED = ("course", "removed")
"""The tag of what no threshold finds any more; for counting, not to be asked for."""


def tags_of(facts: Json) -> list[tuple[str, str]]:
    """Kind and value of each."""
    one = [(kind, str(facts[kind])) for kind in ONE if facts.get(kind)]
    many = {(kind, v) for kind, name in MANY.items() for v in facts.get(name) or ()}
    return [*one, *sorted(many), *([COURSE_REMOVED] if facts.get("courses_removed") else ())]


def text_of(name: str, facts: Json) -> str:
    """What is searched for a part of a name or a note."""
    names = (name, *(facts.get(key) for key in ("run_id", "job", "lot", "recipe")))
    lists = (facts.get(key) or () for key in ("screens", "people", "notes", "defects"))
    return "\n".join(_once((*names, *(text for texts in lists for text in texts))))


def spans_of(facts: Json) -> dict[str, Span]:
    """Of a step, by quantity."""
    return {quantity: span_in(one) for quantity, one in (facts.get("spans") or {}).items()}


def text(facts: Mapping[str, Any]) -> str:
    """Facts as they are stored."""
    return json.dumps(facts, ensure_ascii=False, separators=(",", ":"))


def sum_of(*values: object) -> int:
    """The checksum of a row (CRC-32): it notices what a disk does, no forger."""
    return zlib.crc32(repr(values).encode("utf-8", "surrogatepass"))
