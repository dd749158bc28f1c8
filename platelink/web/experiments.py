"""Views of experiments that find doses: which to make, and one led reading by reading."""

from __future__ import annotations

import asyncio
import contextlib

from starlette.requests import Request
from starlette.responses import Response

from platelink.contract.base import Json
from platelink.contract.experiments import Design, Experiments, ExperimentWhole
from platelink.contract.runs import Run, Runs
from platelink.units import DOSE, IRRADIANCE, UnitError
from platelink.web.guide import GUIDES, Field
from platelink.web.service import ServiceSays, get, part
from platelink.web.show import show

LATELY = 40
"""Runs that are looked through for exposures."""
OFFERED = 8


def typed(field: Field, values: Json) -> list[str]:
    """What was typed for a field, as it stands in the page's fields: numbers without their unit."""
    found = values.get(field.name)
    given = found if isinstance(found, list) else [] if found is None else [found]
    return [_plain(field, one) for one in given]


def _plain(field: Field, value: object) -> str:
    if field.least is None:
        return str(value)
    if isinstance(value, str):
        quantity = {"mJ/cm²": DOSE, "mW/cm²": IRRADIANCE}.get(field.unit)
        with contextlib.suppress(UnitError):
            value = quantity.parse(value) if quantity is not None else value
    return f"{value:.10g}" if isinstance(value, int | float) else str(value)


def exposures(runs: list[Run]) -> list[Run]:
    """Whole exposures, whose dose a reading may take; newest first."""
    whole = [
        run for run in runs
        if run.kind == "expose" and run.state == "complete" and run.dose_mj_cm2 is not None
    ]  # fmt: skip
    return whole[:OFFERED]


async def every(request: Request) -> Response:
    """All experiments, and which to begin."""
    return await show(
        request, "experiments.html", guides=GUIDES,
        found=get(request, Experiments, "/v1/experiments"),
    )  # fmt: skip


async def one(request: Request) -> Response:
    """One experiment: what to expose, its readings, what they tell."""
    name = part(request.path_params["name"])
    made, runs = await asyncio.gather(
        get(request, ExperimentWhole, f"/v1/experiments/{name}"), _runs(request)
    )
    wanted = request.query_params.get("dose", "").strip().replace(",", ".")
    design, wrong = None, ""
    if wanted:
        try:
            dose = f"{wanted} mJ/cm2"
            design = await get(
                request, Design, "/v1/experiment-design", kind=made.kind, dose=dose
            )  # fmt: skip
        except ServiceSays as error:
            wrong = error.text
    return await show(
        request, "experiment.html", made=made, guide=GUIDES.get(made.kind), typed=typed,
        runs=exposures(runs), wanted=wanted, design=design, wrong=wrong,
    )  # fmt: skip


async def _runs(request: Request) -> list[Run]:
    """Those of lately; none where nothing was recorded yet."""
    try:
        return list((await get(request, Runs, "/v1/runs", limit=LATELY)).runs)
    except ServiceSays:
        return []
