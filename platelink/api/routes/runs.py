"""What was recorded: runs, their events and samples. The journal is read, never written."""

from __future__ import annotations

from datetime import UTC
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from platelink.api import shapes
from platelink.api.context import Here
from platelink.api.errors import ApiError
from platelink.api.samples import few
from platelink.api.shapes import told
from platelink.api.stores import journal
from platelink.api.views import utc
from platelink.record.reader import JournalReader, RunRecord
from platelink.runs import EndState

router = APIRouter(tags=["runs"])
Line = dict[str, Any]
State = EndState | Literal["open"]
PAGE = 200
"""Runs looked through at a time for a text."""
LOOKED_THROUGH = 5000
"""Newest runs looked through for a text at most."""


def _moment(value: object) -> object:
    """Takes no number for a time, as pydantic would."""
    if isinstance(value, str) and "T" not in value.upper():
        raise ValueError("write a time with its zone, such as 2026-03-02T08:00+01:00")
    return value


Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]


class Page(BaseModel):
    """What of a list is wanted."""

    model_config = ConfigDict(extra="forbid")

    search: str | None = Field(None, max_length=200, description="Looked for in all texts.")
    limit: int = Field(100, ge=1, le=1000)


class RunsQuery(Page):
    """Which runs are wanted."""

    step: str | None = Field(None, max_length=200)
    plate: str | None = Field(None, max_length=200)
    operator: str | None = Field(None, max_length=200)
    since: Moment | None = Field(None, description="Begun then or later.")
    until: Moment | None = Field(None, description="Begun before.")
    state: State | None = None


class SamplesQuery(BaseModel):
    """Which samples are wanted, and how few."""

    model_config = ConfigDict(extra="forbid")

    points: int = Field(1000, ge=10, le=20_000, description="Of each column, about.")
    from_ms: int | None = Field(None, ge=0, le=10**14, description="UTC.")
    until_ms: int | None = Field(None, ge=0, le=10**14, description="UTC.")


@router.get("/v1/runs", responses=told(shapes.Runs))
def runs(here: Here, query: Annotated[RunsQuery, Query()]) -> Line:
    """Newest first. ``more`` says that there are others: ask on with ``until`` of the last one's
    beginning."""
    wanted = query.model_dump(exclude={"search", "limit"})
    with journal(here) as reader:
        found = search_runs(reader, wanted, query.search, query.limit + 1)
    return {
        "runs": [run_line(run) for run in found[: query.limit]],
        "more": len(found) > query.limit,
    }


def search_runs(
    reader: JournalReader, wanted: Line, search: str | None, limit: int
) -> list[RunRecord]:
    """Newest first: what is ``wanted`` of the reader, with these words in its texts."""
    if not search:
        return reader.runs(**wanted, limit=limit)
    found: list[RunRecord] = []
    words = search.casefold()
    for _ in range(LOOKED_THROUGH // PAGE):
        page = reader.runs(**wanted, limit=PAGE)
        found += [run for run in page if words in _texts(run)]
        oldest = page[-1].start.at_utc if page else None
        if len(page) < PAGE or len(found) >= limit or oldest == wanted.get("until"):
            break
        wanted = {**wanted, "until": oldest}
    return found[:limit]


def _texts(run: RunRecord) -> str:
    start = run.start
    texts = (start.run_id, start.step, start.plate, start.job, start.operator, start.note)
    asked = [v for v in start.request.values() if isinstance(v, str)]
    return "\n".join(text for text in (*texts, *asked) if text).casefold()


@router.get("/v1/runs/{run}", responses=told(shapes.RunWhole))
def run(run: str, here: Here) -> Line:
    """Everything about one run but its events and samples."""
    with journal(here) as reader:
        record = recorded(reader, run)
        parts = reader.runs(plate=record.start.run_id, limit=100)
    channels = record.channels.model_dump(mode="json")["channels"] if record.channels else []
    return run_line(record) | {
        "request": record.start.request,
        "conditions": record.start.conditions,
        "channels": channels,
        "data": record.end.data if record.end else {},
        "parts": [run_line(part) for part in parts if part.start.run_id != run],
    }


@router.get("/v1/runs/{run}/events", responses=told(shapes.Events))
def events(run: str, here: Here) -> Line:
    """All events of a run, in order."""
    with journal(here) as reader:
        recorded(reader, run)
        found = reader.events(run)
    return {"events": [event.model_dump(mode="json", exclude={"format"}) for event in found]}


@router.get("/v1/runs/{run}/samples", responses=told(shapes.Samples))
def samples(run: str, here: Here, query: Annotated[SamplesQuery, Query()]) -> Line:
    """The samples of a run, few enough to draw: of each stretch of time the least and the greatest
    value, missing values, and gaps as null."""
    with journal(here) as reader:
        record = recorded(reader, run)
        block = reader.samples(run)
    channels = record.channels.channels if record.channels else ()
    units = {channel.name: channel.unit for channel in channels}
    drawn = few(block, query.points, query.from_ms, query.until_ms)
    for name, series in drawn["series"].items():
        series["unit"] = units.get(name, "")
    return {"run_id": run, **drawn}


def recorded(reader: JournalReader, run: str) -> RunRecord:
    """The run of this id; ``ApiError`` when there is none."""
    record = reader.run(run)
    if record is None:
        raise ApiError(f"there is no run {run}; see /v1/runs", "unknown")
    return record


def run_line(run: RunRecord) -> Line:
    """One run in a list; ``state`` is "open" while it has no end."""
    start, end = run.start, run.end
    return {
        "run_id": start.run_id,
        "step": start.step,
        "state": end.state if end else "open",
        "reason": end.reason if end else None,
        "judgement": end.data.get("judgement") if end else None,
        "begun_utc": utc(start.at_utc.astimezone(UTC)),
        "ended_utc": utc(end.at_utc.astimezone(UTC)) if end else None,
        "target_dose_mj_cm2": start.target_dose_mj_cm2,
        "dose_mj_cm2": end.dose_mj_cm2 if end else None,
        "device_dose_mj_cm2": end.device_dose_mj_cm2 if end else None,
        "light_s": end.light_s if end else None,
        "samples": end.samples if end else None,
        "events": end.events if end else None,
        "gaps": end.gaps if end else None,
        "operator": start.operator,
        "plate": start.plate,
        "job": start.job,
        "note": start.note,
    }
