"""The service as one ASGI application: guard, door, routes."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp

from platelink import __version__
from platelink.api.answers import Json, refused
from platelink.api.authentication import Authentication
from platelink.api.context import Context
from platelink.api.describe import described
from platelink.api.errors import ApiError, unusable
from platelink.api.guard import MOST_BYTES, Guard
from platelink.api.routes import (
    ask,
    calibrations,
    device,
    experiments,
    figures,
    films,
    maintenance,
    people,
    plates,
    recipes,
    runs,
    supplies,
    unit,
)
from platelink.contract.words import Kind
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.people.errors import NoSuchPerson, NotUsable

NO_JSON = (
    "the body is no JSON that is read here: it is broken, too deep, or a number in it is too long; "
    "send it as docs/openapi.json has it"
)
ROUTERS = (
    unit, figures, plates, recipes, supplies, films, maintenance, runs, ask, device, calibrations,
    experiments, people,
)  # fmt: skip
ABOUT = """\
One exposure unit: its status, plates, exposures, alarms, recipes, stock lots, screens and records.

Every answer that is not 2xx is a problem, `{"error": text, "kind": ...}`; the text says what to do.
Numbers are in the units that their names end with; null is a value that is not known; times are
UTC. No route replaces the unit's own interlock or emergency stop.
"""


def routes_app(context: Context | None) -> FastAPI:
    """The routes alone; without a context, to be described only."""
    app = FastAPI(
        title="platelink",
        version=__version__,
        description=ABOUT,
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        default_response_class=Json,
        generate_unique_id_function=lambda route: route.name,
        max_body_size=MOST_BYTES,
    )
    for module in ROUTERS:
        app.include_router(module.router)
    app.add_exception_handler(ApiError, _error_answer)
    app.add_exception_handler(RequestValidationError, _error_answer)
    app.add_exception_handler(HTTPException, _error_answer)
    app.add_exception_handler(StoreError, _error_answer)
    app.add_exception_handler(Exception, _error_answer)
    app.state.context = context
    plain = app.openapi
    # Made when it is first asked for, and kept.
    app.openapi = lambda: app.openapi_schema or described(plain())  # type: ignore[method-assign]
    return app


def make_app(context: Context) -> ASGIApp:
    """The whole service."""
    security = context.security
    door = Authentication(routes_app(context), accounts=context.accounts, security=security)
    return Guard(door, hosts=context.settings.hosts, security=security)


async def _error_answer(request: Request, error: Exception) -> Json:
    return refused(as_problem(error))


def as_problem(error: Exception) -> ApiError:
    """What an exception is to whoever asked."""
    if isinstance(error, ApiError):
        return error
    if isinstance(error, RequestValidationError):
        return ApiError("; ".join(map(_fault, error.errors())), "misuse")
    if isinstance(error, HTTPException):
        kind: Kind = "unknown" if error.status_code == 404 else "misuse"
        text = NO_JSON if error.status_code == 400 else str(error.detail)
        return ApiError(text, kind, error.status_code, error.headers)
    kinds: tuple[tuple[type[Exception], Kind], ...] = (
        (NoSuchPerson, "unknown"), (NotUsable, "misuse"), (StoreRefused, "refused"),
    )  # fmt: skip
    for known, kind in kinds:
        if isinstance(error, known):
            return ApiError(str(error), kind)
    if isinstance(error, StoreError):
        return unusable(error)
    return ApiError(f"fault in the service: {error!r}", "fault")


def _fault(error: dict[str, Any]) -> str:
    """One thing wrong with a request, as ``body.dose: ...``."""
    where = ".".join(str(part) for part in error["loc"])
    given = error.get("input")
    shown = f" (given: {given!r:.60})" if isinstance(given, str | int | float | None) else ""
    return f"{where}: {error['msg']}{shown}"
