"""A service that is played: documents in the service's shape, live lines as a test wants them.

Everything in it is invented. It keeps what was posted, so that a test can look.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from browser.documents import (
    CALIBRATIONS,
    COUNTS_NOW,
    DEVICE,
    EVENTS,
    FILMS,
    LAMPS,
    LOTS,
    MAINTENANCE,
    PEOPLE,
    RECIPES,
    RUNS,
    SCREENS,
    calibration_document,
    recipe_document,
    samples,
)
from browser.experiment_documents import EXPERIMENTS, experiment_document
from browser.record_documents import COMPARED, THERE, TRENDS, depth, pieces, story, touched
from platelink.contract.runs import Run

Json = dict[str, Any]
COOKIE = "platelink_session"
SIGN_INS = [
    {"begun_utc": "2026-06-01T06:00:00.000+00:00", "used_utc": "2026-06-01T08:00:00.000+00:00",
     "until_utc": "2026-06-01T16:00:00.000+00:00", "address": address, "this": not number}
    for number, address in enumerate(("192.0.2.7", "192.0.2.8"))
]  # fmt: skip
RIGHTS = {
    "auditor": ["read", "own_secret"],
    "operator": ["read", "own_secret", "run", "answer_alarms", "use_lots", "use_screens",
                 "use_films", "do_maintenance", "draft_recipes", "calibrate", "experiment",
                 "note_plates"],
    "lead": ["read", "own_secret", "run", "answer_alarms", "use_lots", "use_screens",
             "use_films", "do_maintenance", "draft_recipes", "calibrate", "experiment",
             "sign_calibrations", "skip_steps", "accept_overdue", "change_alarms",
             "sign_recipes", "change_lots", "change_screens", "change_films",
             "change_maintenance", "change_people", "drop_lessons", "note_plates",
             "correct_plates"],
}  # fmt: skip
SECRETS = {"A. Example": ("lead", "1234"), "B. Example": ("operator", "2345"),
           "C. Example": ("auditor", "3456")}  # fmt: skip


WRONG = (
    "the name or the PIN or password is wrong; try again, or ask a lead for a new PIN or password"
)


def problem(status: int, text: str, kind: str) -> JSONResponse:
    return JSONResponse({"error": text, "kind": kind}, status)


def listed(run: Json, *more: str) -> Json:
    """A run as lists have it."""
    return {name: run[name] for name in (*Run.model_fields, *more)}


class Played:
    """One service on one Unix socket, in the loop that starts it."""

    def __init__(self, socket: Path, status: Json) -> None:
        self.socket = socket
        self.status = status
        self.posted: list[tuple[str, Json, dict[str, str]]] = []
        self.refuse: str | None = None
        self.verdict = "go on"
        """Of every depth that is predicted, but that of P-1039."""
        self.removed: dict[str, Json] = {}
        """By run, what its samples are told as where they were removed."""
        self.asks: dict[str, str] = {}
        """What a new plate is asked to accept, by name."""
        self.nobody = False
        self.silent = False
        """Live sockets stay open and say nothing."""
        self.moving = False
        """Readings and dose change with every status."""
        self.frozen_at: str | None = None
        """The time of every status, as of a daemon that stands still."""
        self.lines: list[Json] = []
        self.clients: set[WebSocket] = set()
        self._hung: set[WebSocket] = set()
        self.runs = RUNS
        self.points = 400
        self._steps = 0
        self._server: uvicorn.Server | None = None
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        routes = [
            WebSocketRoute("/v1/live", self._live),
            Route("/v1/sign-in", self._sign_in, methods=["POST"]),
            Route("/v1/{path:path}", self._any, methods=["GET", "POST"]),
        ]
        config = uvicorn.Config(
            Starlette(routes=routes), uds=str(self.socket), ws="websockets-sansio",
            log_level="warning", lifespan="off", timeout_graceful_shutdown=1,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._server.config.load()
        self._task = asyncio.ensure_future(self._serve(self._server))
        while not self._server.started:
            await asyncio.sleep(0.01)

    async def _serve(self, server: uvicorn.Server) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await server._serve()

    async def stop(self) -> None:
        assert self._server is not None and self._task is not None
        self._server.should_exit = True
        await self._task
        self.socket.unlink(missing_ok=True)

    def say(self, line: Json) -> None:
        """A line to every live client."""
        self.lines.append(line)

    def _who(self, cookies: dict[str, str]) -> Json | None:
        role = cookies.get(COOKIE, "")
        return next(
            ({"name": name, "role": role, "csrf": f"csrf-{role}", "until": "2099-01-01T00:00:00Z",
              "local": False, "rights": RIGHTS[role], "sign_ins": SIGN_INS}
             for name, (known, _) in SECRETS.items() if known == role), None,
        )  # fmt: skip

    async def _sign_in(self, request: Request) -> Response:
        body = await request.json()
        role, secret = SECRETS.get(body["name"], ("", ""))
        if not role or secret != body["secret"]:
            return problem(
                401,
                "the name or the PIN or password is wrong; try again, or ask a lead for a new "
                "PIN or password",
                "sign in",
            )
        answer = JSONResponse({"token": role, "name": body["name"], "role": role})
        answer.set_cookie(COOKIE, role, httponly=True, samesite="strict")
        return answer

    async def _any(self, request: Request) -> Response:
        path, me = request.path_params["path"], self._who(request.cookies)
        if path == "light":
            return JSONResponse(self.status["light"])
        if me is None:
            text = "no users yet; add the first lead" if self.nobody else "sign in first"
            return problem(401, text, "sign in")
        if request.method == "POST":
            return await self._post(request, path, me)
        return self._get(path, me, dict(request.query_params))

    async def _post(self, request: Request, path: str, me: Json) -> Response:
        if request.headers.get("x-csrf-token") != me["csrf"]:
            return problem(403, "the page is out of date; load it again", "no right")
        self.posted.append((path, await request.json(), dict(request.headers)))
        if self.refuse:
            return problem(409, self.refuse, "refused")
        asked = self.asks.keys() - set(self.posted[-1][1].get("accept", ()))
        if path == "plates" and asked:
            names = [name for name in self.asks if name in asked]
            text = "\n".join(self.asks[name] for name in names)
            return JSONResponse({"error": text, "kind": "refused", "asks": names}, 409)
        answer = JSONResponse({"plate": "P-1042"} if path == "plates" else {})
        if path == "sign-out":
            answer.delete_cookie(COOKIE)
        return answer

    def _get(self, path: str, me: Json, query: dict[str, str]) -> Response:
        parts = path.split("/")
        match parts:
            case ["me"]:
                return JSONResponse(me)
            case ["plates", plate, "depth"]:
                return JSONResponse(depth(plate, self.verdict))
            case ["plates"]:
                ended = [
                    listed(run, "request", "data") | {"plate": run["run_id"]}
                    for run in self.runs
                    if run["step"] == "plate" and run["state"] != "open"
                ]
                return JSONResponse({"in_flight": [], "on_record": ended})
            case ["runs"]:
                return JSONResponse({"runs": self._found(query), "more": False})
            case ["runs", run]:
                found = next((r for r in self.runs if r["run_id"] == run), None)
                if found is None:
                    return problem(404, f"there is no run {run}", "unknown")
                others = [listed(r) for r in self.runs if r["plate"] == run and r is not found]
                return JSONResponse({**found, "parts": others})
            case ["runs", _, "events"]:
                return JSONResponse({"events": EVENTS})
            case ["runs", run, "story"]:
                return JSONResponse(story(run))
            case ["ask", "values"]:
                return JSONResponse(THERE)
            case ["ask", "plates"] if self.refuse:
                return problem(409, self.refuse, "refused")
            case ["ask", "plates"]:
                return JSONResponse(pieces(int("where" in query)))
            case ["ask", "compare"]:
                return JSONResponse(COMPARED)
            case ["ask", "sensors", _]:
                return JSONResponse(touched("factor" in query))
            case ["trends"]:
                return JSONResponse(TRENDS)
            case ["runs-table"]:
                return PlainTextResponse("run_id\r\n", headers={
                    "content-disposition": 'attachment; filename="runs.csv"'})  # fmt: skip
            case ["runs", run, "samples"]:
                return JSONResponse(
                    {"run_id": run, **samples(run, self.points, query), **self.removed.get(run, {})}
                )
            case ["recipes"]:
                return JSONResponse({"recipes": RECIPES})
            case ["recipes", which, "toml"]:
                return PlainTextResponse(f"# {which}")
            case ["recipes", which]:
                return JSONResponse(recipe_document(which))
            case ["recipe-diff"]:
                changes = [{"step": "film", "kind": "changed", "text": "dose 400 to 340 mJ/cm²"},
                           {"step": "dry", "kind": "changed", "text": "8 to 10 min"}]  # fmt: skip
                return JSONResponse({"same": False, "changes": changes})
            case ["lots"]:
                return JSONResponse({"lots": LOTS})
            case ["screens"]:
                return JSONResponse({"screens": SCREENS})
            case ["maintenance"]:
                return JSONResponse({"items": MAINTENANCE})
            case ["films"]:
                return JSONResponse({"films": FILMS})
            case ["lamps"]:
                return JSONResponse(LAMPS)
            case ["calibrations"]:
                return JSONResponse({"calibrations": CALIBRATIONS})
            case ["calibrations", name]:
                document = calibration_document(name)
                return JSONResponse(document) if document else problem(404, "none", "unknown")
            case ["experiments"]:
                return JSONResponse({"experiments": EXPERIMENTS})
            case ["experiments", name]:
                document = experiment_document(name)
                return JSONResponse(document) if document else problem(404, "none", "unknown")
            case ["experiment-design"]:
                if not query["dose"].removesuffix(" mJ/cm2").replace(".", "").isdecimal():
                    return problem(422, "dose: this is not a number", "misuse")
                return JSONResponse({"doses_mj_cm2": [391.2, 419.1, 449.0, 481.1, 515.4]})
            case ["counts", _]:
                return JSONResponse(COUNTS_NOW)
            case ["device"]:
                return JSONResponse(DEVICE)
            case ["people"]:
                return JSONResponse({"people": PEOPLE})
        return problem(404, "there is no such address", "unknown")

    def _found(self, query: dict[str, str]) -> list[Json]:
        words = query.get("search", "").casefold()
        step, state = query.get("step"), query.get("state")
        return [
            listed(run) for run in self.runs
            if (not step or run["step"] == step) and (not state or run["state"] == state)
            and words in " ".join(str(v) for v in run.values()).casefold()
        ]  # fmt: skip

    async def _live(self, socket: WebSocket) -> None:
        if self._who(socket.cookies) is None:
            await socket.send_denial_response(problem(401, "sign in first", "sign in"))
            return
        await socket.accept()
        self.clients.add(socket)
        said = len(self.lines)
        try:
            while True:
                if not self.silent and socket not in self._hung:
                    for line in self.lines[said:]:
                        await socket.send_text(json.dumps(line))
                    said = len(self.lines)
                    now = datetime.now(UTC).isoformat(timespec="milliseconds")
                    at_utc = self.frozen_at or now
                    await socket.send_text(
                        json.dumps({"status": {**self._moved(), "at_utc": at_utc}})
                    )
                await asyncio.sleep(0.1)
        except (WebSocketDisconnect, RuntimeError, OSError):
            return
        finally:
            self.clients.discard(socket)

    def _moved(self) -> Json:
        if self.moving:
            self._steps += 1
            turn = math.sin(self._steps / 7.0)
            reading = self.status["reading"]
            reading |= {"vacuum_kpa": 78.0 + turn, "irradiance_mw_cm2": 9.0 + 0.2 * turn}
            exposure = self.status["plates"][0]["now"]["exposure"]
            exposure |= {"dose_mj_cm2": 0.9 * self._steps, "remaining_s": 40.0 - 0.1 * self._steps}
        return self.status

    def hang(self) -> None:
        """The live lines of now stay open and say nothing any more; new ones do."""
        self._hung |= self.clients

    async def drop(self) -> None:
        """End every live line."""
        for socket in list(self.clients):
            with contextlib.suppress(RuntimeError, OSError):
                await socket.close(1012)
