"""Questions to the record, answered from the facts beside the journal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Query

from platelink.api.context import Context, Here
from platelink.api.errors import ApiError
from platelink.api.stores import journal, translated
from platelink.contract.depths import AskedDepths, DepthChart
from platelink.contract.facts import (
    Asked,
    AskedDays,
    AskedSensor,
    AskedTwo,
    Compared,
    Days,
    Opened,
    Pieces,
    There,
    Touched,
)
from platelink.evidence.imported_facts import both_of
from platelink.facts.both import Both
from platelink.facts.build import facts_beside
from platelink.facts.compare import compare as compared
from platelink.facts.depths import depths
from platelink.facts.sensor import Corrected, touched
from platelink.finding.charts import TooFewError
from platelink.finding.depth_chart import depth_chart
from platelink.ledger.errors import StoreRefused

router = APIRouter(tags=["ask"])
BRING_UP_S = 2.0
"""A request waits no longer for the facts to be brought up; the next one goes on."""
ANSWER_S = 4.0
"""Nor for the answer: it says how far back was looked."""


@contextmanager
def _facts(here: Context) -> Iterator[Both]:
    with journal(here) as reader, translated():
        path = facts_beside(here.settings.journal)
        with both_of(reader, path, most_s=BRING_UP_S) as both:
            yield both


@router.get("/v1/ask/plates")
def ask_plates(here: Here, query: Annotated[Asked, Query()]) -> Pieces:
    """Plates, and runs that belong to none, of which all that is given is true; newest first.
    ``behind``: so many entries of the journal are not in the answer yet: ask again.
    ``looked_back_to_utc``: there was no time for older ones; narrow the question, or ask with
    ``until``. ``imported``: the same of records imported from other units, which count nowhere as
    this unit's."""
    with _facts(here) as facts:
        return facts.pieces(query, ANSWER_S)


@router.get("/v1/ask/plates/{plate:path}")
def ask_plate(plate: str, here: Here) -> Opened:
    """One with all that is known of it, and its curves; of another unit as ``unit/plate``."""
    with _facts(here) as facts:
        try:
            return facts.opened(plate)
        except StoreRefused as error:
            raise ApiError(str(error), "unknown") from None


@router.get("/v1/ask/values")
def ask_values(here: Here) -> There:
    """What can be asked for: values on record."""
    with _facts(here) as facts:
        return facts.there()


@router.get("/v1/ask/compare")
def ask_compare(here: Here, query: Annotated[AskedTwo, Query()]) -> Compared:
    """Two side by side, the greatest differences first."""
    with _facts(here) as facts:
        return compared(facts, query.first, query.second)


@router.get("/v1/ask/depths")
def ask_depths(here: Here, query: Annotated[AskedDepths, Query()]) -> DepthChart:
    """The chart of the depths of a recipe's plates: limits, signals, capability."""
    with _facts(here) as facts:
        found = depths(facts.own, query)
    try:
        return depth_chart(query.recipe, found.point, found.made, found.limits_um)
    except TooFewError as error:
        raise ApiError(f"cannot tell: {error}; inspect more plates", "refused") from None


@router.get("/v1/ask/sensors/{sensor}")
def ask_sensor(sensor: str, here: Here, query: Annotated[AskedSensor, Query()]) -> Touched:
    """What was read with a sensor, such as ``light 0``; with a correction the doses again."""
    worth = (query.slope, query.dark, query.factor)
    corrected = None if worth == (None, None, None) else Corrected(*worth)
    with _facts(here) as facts:
        return touched(
            facts.own, sensor, query.since, query.until, corrected=corrected, limit=query.limit
        )


@router.get("/v1/ask/days")
def ask_days(here: Here, query: Annotated[AskedDays, Query()]) -> Days:
    """What was made on each day (UTC), newest first."""
    with _facts(here) as facts:
        return facts.own.days(query.limit)
