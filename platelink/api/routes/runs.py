"""What was recorded: runs, their events and samples. The journal is read, never written."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Query

from platelink.api.context import Here
from platelink.api.errors import ApiError
from platelink.api.samples import few
from platelink.api.stores import journal
from platelink.contract.base import Json
from platelink.contract.runs import (
    Channel,
    Events,
    RecordedEvent,
    Runs,
    RunsQuery,
    RunWhole,
    Samples,
    SamplesQuery,
)
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.runs import RunEvent

router = APIRouter(tags=["runs"])
Look = Callable[..., list[RunRecord]]
"""The reader's ``runs``, for some of its conditions."""
PAGE = 200
"""Runs looked through at a time for a text."""
LOOKED_THROUGH = 5000
"""Newest runs looked through for a text at most."""


@router.get("/v1/runs")
def runs(here: Here, query: Annotated[RunsQuery, Query()]) -> Runs:
    """Newest first. ``more`` says that there are others: ask on with ``until`` of the last one's
    beginning."""
    with journal(here) as reader:
        look = partial(
            reader.runs, step=query.step, plate=query.plate, operator=query.operator,
            since=query.since, state=query.state,
        )  # fmt: skip
        found = search_runs(look, query.search, query.limit + 1, query.until)
    shown = [run.summary for run in found[: query.limit]]
    return Runs(runs=shown, more=len(found) > query.limit)


def search_runs(
    look: Look, search: str | None, limit: int, until: datetime | None = None
) -> list[RunRecord]:
    """Newest first: the runs that ``look`` finds, with these words in their texts."""
    if not search:
        return look(until=until, limit=limit)
    found: list[RunRecord] = []
    words = search.casefold()
    for _ in range(LOOKED_THROUGH // PAGE):
        page = look(until=until, limit=PAGE)
        found += [run for run in page if words in _texts(run)]
        oldest = page[-1].start.at_utc if page else None
        if len(page) < PAGE or len(found) >= limit or oldest == until:
            break
        until = oldest
    return found[:limit]


def _texts(run: RunRecord) -> str:
    start = run.start
    texts = (start.run_id, start.step, start.plate, start.job, start.operator, start.note)
    values = [v for v in start.request.values() if isinstance(v, str)]
    return "\n".join(text for text in (*texts, *values) if text).casefold()


@router.get("/v1/runs/{run}")
def run(run: str, here: Here) -> RunWhole:
    """Everything about one run but its events and samples."""
    with journal(here) as reader:
        record = recorded(reader, run)
        parts = reader.parts(record.start.run_id)
    channels = record.channels.channels if record.channels else ()
    return RunWhole(
        **dict(record.summary),
        request=record.start.request,
        conditions=record.start.conditions,
        channels=[Channel(**dict(channel)) for channel in channels],
        data=record.end.data if record.end else {},
        parts=[part.summary for part in reversed(parts)],
    )


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
    channels = record.channels.channels if record.channels else ()
    return few(run, block, {channel.name: channel.unit for channel in channels}, query)


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
