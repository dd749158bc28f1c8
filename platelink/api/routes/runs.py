"""What was recorded: runs, their events and samples. The journal is read, never written."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import Response

from platelink.api.context import Here
from platelink.api.errors import ApiError
from platelink.api.samples import few
from platelink.api.stores import journal
from platelink.contract.base import Json
from platelink.contract.plates import PlatesQuery
from platelink.contract.runs import (
    Channel,
    Events,
    RecordedEvent,
    ReportQuery,
    Runs,
    RunsQuery,
    RunWhole,
    Samples,
    SamplesQuery,
    TableQuery,
)
from platelink.contract.story import RunStory
from platelink.contract.trends import Trends, TrendsQuery
from platelink.evidence.beside import known_of, sealed_view
from platelink.evidence.removed import seal_holds
from platelink.record.export import runs_to_csv, runs_to_json
from platelink.record.reader import JournalReader
from platelink.record.search import Wanted
from platelink.record.stored import RunRecord
from platelink.record.story import story_of
from platelink.record.trends import trends
from platelink.runs import RunEvent

router = APIRouter(tags=["runs"])
MOST_ROWS = 20_000
"""In one file; older ones by their dates in another."""


_TABLE: dict[str, Any] = {
    "text/csv": {"schema": {"type": "string"}},
    "application/json": {"schema": {"type": "object"}},
}


@router.get("/v1/runs")
def runs(here: Here, query: Annotated[RunsQuery, Query()]) -> Runs:
    """Newest first. ``more`` says that there are others: ask on with ``until`` of the last one's
    beginning."""
    with journal(here) as reader:
        found = reader.runs(limit=query.limit + 1, **wanted_of(query))
    shown = [run.summary for run in found[: query.limit]]
    return Runs(runs=shown, more=len(found) > query.limit)


@router.get("/v1/runs-table", responses={200: {"content": _TABLE}}, response_class=Response)
def runs_table(here: Here, query: Annotated[TableQuery, Query()]) -> Response:
    """Every run that is wanted as a file, CSV or JSON, newest first; units stand in its names."""
    with journal(here) as reader:
        found = [run.summary for run in reader.runs(limit=MOST_ROWS, **wanted_of(query))]
    csv = query.form == "csv"
    return Response(
        runs_to_csv(found) if csv else runs_to_json(found),
        media_type="text/csv; charset=utf-8" if csv else "application/json",
        headers={"content-disposition": f'attachment; filename="runs.{query.form}"'},
    )


def wanted_of(query: RunsQuery | PlatesQuery) -> Wanted:
    """The conditions of a query, as the reader takes them."""
    conditions = Wanted.__annotations__.keys() & type(query).model_fields.keys()
    wanted: Any = {name: getattr(query, name) for name in conditions}
    if isinstance(query, PlatesQuery):
        wanted |= {"step": "plate", "state": None if query.state == "in flight" else query.state}
    found: Wanted = wanted
    return found


@router.get("/v1/trends")
def shown_trends(here: Here, query: Annotated[TrendsQuery, Query()]) -> Trends:
    """Lamps, pull-down, dose error, bakes and depths by day, and what changed when."""
    with journal(here) as reader:
        return trends(reader, query, now=here.now())


@router.get("/v1/runs/{run}")
def run(run: str, here: Here) -> RunWhole:
    """Everything about one run but its events and samples."""
    with journal(here) as reader:
        record = recorded(reader, run)
        parts = reader.parts(record.start.run_id)
        seal = sealed_view(known_of(reader.path, record))
    channels = record.channels.channels if record.channels else ()
    return RunWhole(
        **dict(record.summary),
        seal=seal,
        request=record.start.request,
        conditions=record.start.conditions,
        channels=[Channel(**dict(channel)) for channel in channels],
        data=record.end.data if record.end else {},
        parts=[part.summary for part in reversed(parts)],
    )


@router.get("/v1/runs/{run}/story")
def story(run: str, here: Here) -> RunStory:
    """What happened to it: steps, stages, inspection, deviations, alarms, people, and moments that
    stand on its curves."""
    with journal(here) as reader:
        return story_of(reader, recorded(reader, run))


@router.get("/v1/runs/{run}/events")
def events(run: str, here: Here) -> Events:
    """All events of a run, in order."""
    with journal(here) as reader:
        recorded(reader, run)
        found = reader.events(run)
    return Events(events=[event_view(event) for event in found])


@router.get("/v1/runs/{run}/samples")
def samples(run: str, here: Here, query: Annotated[SamplesQuery, Query()]) -> Samples:
    """The samples of a run, few enough to draw: of each stretch of time the least and the greatest
    value, missing values, and gaps as null."""
    with journal(here) as reader:
        record = recorded(reader, run)
        block = reader.samples(run)
        holds = seal_holds(reader, record) if record.removed is not None else None
    channels = record.channels.channels if record.channels else ()
    found = few(run, block, {channel.name: channel.unit for channel in channels}, query)
    if record.removed is None:
        return found
    told = {"removed_utc": record.removed.at_utc, "removed_days": record.removed.days}
    return found.model_copy(update={**told, "removed_seal_holds": holds})


class Pdf(Response):
    """What most of these files are."""

    media_type = "application/pdf"


@router.get("/v1/runs/{run}/report", response_class=Pdf)
def report(run: str, here: Here, query: Annotated[ReportQuery, Query()]) -> Response:
    """A sealed plate, or exposure, on one page: PDF (PDF/A-3b, record and proof inside) or HTML."""
    from platelink.api.reports import report_of  # noqa: PLC0415 -- 25 MB until somebody wants one

    alerts = here.settings.config.get("alerts")
    page = alerts.get("page") if isinstance(alerts, dict) else None
    with journal(here) as reader:
        name, data = report_of(reader, recorded(reader, run), query.form, str(page or ""))
    return _file(data, query.form, name)


def _file(data: bytes, form: str, name: str) -> Response:
    return Response(
        data, media_type="application/pdf" if form == "pdf" else "text/html; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{file_name(name)}.{form}"'},
    )  # fmt: skip


def file_name(name: str) -> str:
    """Of a file to be kept: what every computer takes."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in name)


@router.get("/v1/runs/{run}/label", response_class=Pdf)
def label(run: str, here: Here) -> Response:
    """A plate's label, 62 mm by 29 mm: its code, and what it is."""
    from platelink.api.reports import label_for  # noqa: PLC0415 -- as above

    with journal(here) as reader:
        record = recorded(reader, run)
    return _file(label_for(record), "pdf", f"label-{record.start.run_id}")


def recorded(reader: JournalReader, run: str) -> RunRecord:
    """The run of this id; ``ApiError`` when there is none."""
    record = reader.run(run)
    if record is None:
        raise ApiError(f"there is no run {run}; see /v1/runs", "unknown")
    return record


def event_view(event: RunEvent) -> RecordedEvent:
    """One event of a run."""
    shown: Json = event.model_dump(mode="json", exclude={"format"})
    return RecordedEvent.model_validate(shown)
