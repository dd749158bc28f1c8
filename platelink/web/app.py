"""The page as one ASGI application: routes, languages, assets, and the guard around them."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp

from platelink.serving.certificates import read as read_certificates
from platelink.web import (
    asking,
    calibrations,
    codes,
    experiments,
    records,
    shop,
    trends,
    views,
    watch,
)
from platelink.web.assets import asset, read_assets
from platelink.web.guard import Guard
from platelink.web.live import live
from platelink.web.passing import pass_on
from platelink.web.service import ServiceSays, new_client
from platelink.web.settings import PageSettings
from platelink.web.show import (
    LANGUAGE_COOKIE,
    THEME_COOKIE,
    THEMES,
    Templates,
    language_of,
    own_path,
    trouble,
)
from platelink.web.texts import read_languages

A_YEAR_S = 365 * 86_400
ROUTES = [
    Route("/", views.now),
    Route("/plates", views.plates),
    Route("/plates/new", shop.new_plate),
    Route("/alarms", views.alarms),
    Route("/history", records.history),
    Route("/records/{run}", records.record),
    Route("/ask", asking.plates),
    Route("/ask/compare", asking.two),
    Route("/ask/sensor", asking.sensor),
    Route("/trends", trends.trends),
    Route("/recipes", shop.recipes),
    Route("/recipes/diff", shop.recipe_diff),
    Route("/recipes/{which}", shop.recipe),
    Route("/stock", shop.stock),
    Route("/unit", shop.unit),
    Route("/calibrations", calibrations.every),
    Route("/calibrations/{name}", calibrations.one),
    Route("/experiments", experiments.every),
    Route("/experiments/{name}", experiments.one),
    Route("/people", shop.people),
    Route("/sign-in", views.sign_in),
    Route("/code", codes.code),
]
WATCHED = [Route("/metrics", watch.metrics), Route("/health", watch.health)]
"""For programs; no views."""


async def keep_choice(request: Request) -> Response:
    """Language or theme of this screen, kept in a cookie; back to where it was chosen."""
    what, value = request.path_params["what"], request.path_params["value"]
    known = {LANGUAGE_COOKIE: request.app.state.languages, THEME_COOKIE: THEMES}
    cookie = f"platelink_{what}"
    if value not in known.get(cookie, ()):
        return PlainTextResponse("not found", 404)
    answer = RedirectResponse(own_path(request.query_params.get("back", "/")), 303)
    answer.set_cookie(cookie, value, max_age=A_YEAR_S, samesite="strict", httponly=True)
    return answer


async def _service_says(request: Request, error: Exception) -> Response:
    assert isinstance(error, ServiceSays)
    return await trouble(request, error)


async def _not_found(request: Request, _: Exception) -> Response:
    return await trouble(request, ServiceSays(404, "", "unknown"))


async def _said(request: Request) -> Response:
    """A sentence of the unit in the language of the request."""
    state, text = request.app.state, request.query_params.get("text", "")
    language, _ = language_of(request)
    return PlainTextResponse(state.templates.said(language, text))


def build(settings: PageSettings) -> ASGIApp:
    """The application for these settings."""
    languages = read_languages()

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        app.state.client = new_client(settings.service)
        yield
        await app.state.client.aclose()

    app = Starlette(
        routes=[
            *ROUTES,
            *WATCHED,
            Route("/static/{version}/{name}", asset),
            Route("/said", _said),
            Route("/choose/{what}/{value}", keep_choice),
            WebSocketRoute("/api/v1/live", live),
            Route("/api/{path:path}", pass_on, methods=["GET", "POST"]),
        ],
        exception_handlers={ServiceSays: _service_says, 404: _not_found},
        lifespan=lifespan,
    )
    app.state.settings = settings
    app.state.certificates = read_certificates(settings.certificate)
    app.state.languages = languages
    app.state.assets = read_assets(languages)
    app.state.templates = Templates(languages)
    return Guard(app, names=settings.names)
