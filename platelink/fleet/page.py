"""The fleet's page: a wall of all units, their plates, and one record from its copy; it only reads.

Statuses are heard by a thread of its own; copies are read, as ``keep`` writes them, by others.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from platelink.fleet.copies import units_of
from platelink.fleet.copy import held_in, waiting_in
from platelink.fleet.entrance import Entrance
from platelink.fleet.opened import (
    Unread,
    hidden,
    journal_of,
    opened,
    others_of,
    plates_of,
    whole_of_all,
)
from platelink.fleet.view import Row, own_clock
from platelink.fleet.watch import Watch
from platelink.publish.broker import BrokerSettings
from platelink.publish.ranges import Ranges, common, holes
from platelink.publish.teller import Unit
from platelink.record.errors import JournalDamaged
from platelink.record.plot import plotted
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.report.drawn import Pane, drawn
from platelink.runs import SampleBlock
from platelink.units import named
from platelink.web.app import keep_choice
from platelink.web.assets import asset, read_assets
from platelink.web.guard import Guard
from platelink.web.settings import PageSettings
from platelink.web.show import Templates, rendered
from platelink.web.texts import read_languages

LISTED = 200
"""Plates of a list, the newest."""
SHOWN_RANGES = 8
STEP_S = 0.2
OLD_S = 10.0
"""What the listening thread said last is not shown as the present for longer."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is known at one moment."""

    rows: tuple[Row, ...]
    problem: str
    refused: int
    last_refusal: str
    at_utc_s: float
    at: float


class Listening:
    """The thread that hears statuses."""

    def __init__(self, broker: BrokerSettings) -> None:
        self._watch = Watch(broker)
        self._stop = threading.Event()
        self._heard = self._now()
        self._thread = threading.Thread(target=self._run, name="fleet", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, and leave the broker."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(10.0)

    def heard(self, *, now: float) -> Heard:
        """The newest; of a thread that has ended it says so."""
        found = self._heard
        if now - found.at <= OLD_S:
            return found
        return Heard(
            (), "the page itself no longer listens: restart it", 0, "", found.at_utc_s, now
        )

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._watch.step(STEP_S)
                self._heard = self._now()
        finally:
            self._watch.close()

    def _now(self) -> Heard:
        fleet, now, utc_s = self._watch.fleet, time.monotonic(), time.time()
        rows = fleet.rows(now=now, utc_s=utc_s)
        return Heard(rows, self._watch.problem, fleet.refused, fleet.last_refusal, utc_s, now)


def _iso(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")


def _wall(request: Request) -> dict[str, Any]:
    heard: Heard = request.app.state.listening.heard(now=time.monotonic())
    return {
        "rows": heard.rows, "problem": heard.problem, "refused": heard.refused,
        "last_refusal": heard.last_refusal, "at_utc_s": heard.at_utc_s,
        "own_clock_s": own_clock(heard.rows), "iso": _iso,
    }  # fmt: skip


async def wall(request: Request) -> Response:
    """All units as they are."""
    return rendered(request, "fleet.html", 200, None, _wall(request))


async def renewed(request: Request) -> Response:
    """The same without what stands around it."""
    return rendered(request, "fleet_wall.html", 200, None, _wall(request))


async def plates(request: Request) -> Response:
    """Plates of all units, newest first."""
    folder: Path = request.app.state.folder
    found = await run_in_threadpool(lambda: _listed(folder, units_of(folder), hidden(folder)))
    return rendered(request, "fleet_plates.html", 200, None, {"title": "", **found})


def _unit(request: Request) -> Unit | None:
    unit = (request.path_params["site"], request.path_params["unit"])
    return unit if unit in units_of(request.app.state.folder) else None


async def of_unit(request: Request) -> Response:
    """Plates of one unit."""
    folder, unit = request.app.state.folder, await run_in_threadpool(_unit, request)
    if unit is None:  # it may be on the wall and have no copy
        title = "/".join((request.path_params["site"], request.path_params["unit"]))
        unread = await run_in_threadpool(hidden, folder)
        context = {"title": title, "rows": [], "copies": [], "unread": unread, "more": False}
        return rendered(request, "fleet_plates.html", 404, None, context)
    found = await run_in_threadpool(lambda: _listed(folder, [unit]))
    return rendered(request, "fleet_plates.html", 200, None, {"title": "/".join(unit), **found})


def _listed(folder: Path, units: Iterable[Unit], shut: Iterable[Unread] = ()) -> dict[str, Any]:
    rows, copies = [], []
    unread = {one.path: one for one in shut}
    for unit in units:
        rows += [(unit, run) for run in plates_of(folder, unit, LISTED + 1, unread)]
        for whole in whole_of_all(folder, unit, unread):
            copies.append({
                "unit": unit, "journal": whole.journal, "entries": whole.entries,
                "missing": _ranges(whole.missing),
                "newest_utc": whole.newest_utc and whole.newest_utc.isoformat(),
            })  # fmt: skip
    rows.sort(key=lambda pair: pair[1].start.at_utc, reverse=True)
    return {
        "rows": [(unit, journal_of(run), run.summary) for unit, run in rows[:LISTED]],
        "more": len(rows) > LISTED, "copies": copies, "unread": list(unread.values()),
    }  # fmt: skip


def _ranges(missing: Ranges) -> str:
    named_so = [f"{a}" if a == b else f"{a}–{b}" for a, b in missing[:SHOWN_RANGES]]
    return ", ".join([*named_so, *(["…"] if len(missing) > SHOWN_RANGES else [])])


async def record(request: Request) -> Response:
    """One plate or run."""
    unit = await run_in_threadpool(_unit, request)
    found: dict[str, Any] | None = None
    unread: dict[Path, Unread] = {}
    if unit is not None:
        folder, wanted = request.app.state.folder, request.path_params["run"]
        journal = request.query_params.get("journal")
        found = await run_in_threadpool(lambda: _record(folder, unit, wanted, journal, unread))
    if unit is None or found is None:
        lost = "".join(f"; {one.path} cannot be read: {one.why}" for one in unread.values())
        return PlainTextResponse(f"not found{lost}", 404)
    return rendered(request, "fleet_record.html", 200, None, {"unit": unit, **found})


def _record(
    folder: Path, unit: Unit, wanted: str, journal: str | None, unread: dict[Path, Unread]
) -> dict[str, Any] | None:
    """Of this journal; where none is named, of the one written last that has it."""
    for reader in opened(folder, unit, unread):
        if journal not in (None, reader.uuid):
            continue
        try:
            run = reader.run(wanted)
        except JournalDamaged as fault:
            unread[reader.path] = Unread(reader.path, str(fault))
            continue
        if run is None:
            continue
        last = reader.number_of(run.end.id) if run.end else reader.last_number()
        here = ((reader.number_of(run.start.id), last),)
        contradict, removed = waiting_in(reader, wanted)
        parts = [run] if run.start.run_kind != "plate" else reader.parts(wanted)
        return {
            "run": run.summary, "journal": reader.uuid,
            "others": [(journal_of(one), one.summary) for _, one in others_of(folder, unit, run)],
            "events": reader.events(wanted), "contradict": contradict,
            "removed": removed, "missing": _ranges(common(holes(held_in(reader)), here)),
            "parts": [_part(reader, part) for part in parts],
        }  # fmt: skip
    return None


def _part(reader: JournalReader, run: RunRecord) -> dict[str, Any]:
    told: dict[str, Any] = {"run_id": run.start.run_id, "step": run.start.step, "gap": False}
    try:
        samples = reader.samples(run.start.run_id)
    except JournalDamaged:
        return told | {"gap": True, "curves": []}
    counted = run.end is not None and run.end.samples != len(samples)
    return told | {"gap": counted, "curves": _curves(samples)}


def _curves(samples: SampleBlock) -> list[tuple[str, Markup]]:
    """Each column with its name; in the drawing itself stand digits alone."""
    if len(samples) < 2:
        return []
    t_s = (samples.at_utc_ms - samples.at_utc_ms[0]) / 1000.0
    found = []
    for name in plotted(samples):
        label, suffix = named(name)
        values = samples.values[name]
        if np.isfinite(values).any():
            title = f"{label}, {suffix.symbol}" if suffix.symbol else label
            found.append((title, Markup(drawn(t_s, [Pane(values)], []))))  # noqa: S704 -- digits
    return found


ROUTES = [
    Route("/", wall),
    Route("/wall", renewed),
    Route("/plates", plates),
    Route("/units/{site}/{unit}", of_unit),
    Route("/units/{site}/{unit}/{run}", record),
    Route("/static/{version}/{name}", asset),
    Route("/choose/{what}/{value}", keep_choice),
]


def build(settings: PageSettings, broker: BrokerSettings, folder: Path, password: str) -> Guard:
    """The application; ValueError for a password that is too short."""
    languages = read_languages()
    listening = Listening(broker)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        listening.start()
        yield
        await run_in_threadpool(listening.stop)

    app = Starlette(routes=ROUTES, lifespan=lifespan)
    app.state.settings = settings
    app.state.languages = languages
    app.state.assets = read_assets(languages)
    app.state.templates = Templates(languages)
    app.state.listening = listening
    app.state.folder = folder
    return Guard(Entrance(app, password), names=settings.names)
