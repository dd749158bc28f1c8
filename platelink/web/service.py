"""What views ask of the service on behalf of the person who looks: documents, or why not."""

from __future__ import annotations

from http.cookiejar import CookieJar, DefaultCookiePolicy
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import httpx
from pydantic import ValidationError
from starlette.requests import Request

from platelink.client.lane import AsyncWays
from platelink.contract.base import Answer, Problem
from platelink.web.passing import note_if_known, session_header
from platelink.web.words import NO_SERVICE

_A = TypeVar("_A", bound=Answer)
PATIENCE_S = 10.0
SIGN_IN = 401
NOBODY = "no users yet"
"""How the service's answer begins while there is no person at all."""


class ServiceSays(Exception):  # noqa: N818 -- not every one is an error: sign in first
    """The service has no document for this; status and text are the service's."""

    def __init__(self, status: int, text: str, kind: str = "") -> None:
        super().__init__(text)
        self.status, self.text, self.kind = status, text, kind

    @property
    def nobody(self) -> bool:
        """True when nobody at all is entered at the unit yet."""
        return self.status == SIGN_IN and self.text.startswith(NOBODY)


def part(text: str) -> str:
    """One part of a path, whatever it holds."""
    return quote(text, safe="")


def new_client(socket: Path) -> httpx.AsyncClient:
    """A client that knows the service's Unix socket and nothing else.

    It serves every browser, so it keeps no cookie: what one person's sign-in set must never go
    along with another's request."""
    return httpx.AsyncClient(
        transport=AsyncWays(socket),
        base_url="http://localhost",
        cookies=CookieJar(DefaultCookiePolicy(allowed_domains=())),
        timeout=PATIENCE_S,
        trust_env=False,
        follow_redirects=False,
        headers={"user-agent": "platelink-page"},
    )


async def get(request: Request, answer: type[_A], path: str, **query: Any) -> _A:
    """The service's document at this path; ``ServiceSays`` when there is none."""
    client: httpx.AsyncClient = request.app.state.client
    if any(part in (".", "..") for part in path.split("/")):
        raise ServiceSays(404, "", "unknown")
    given = {name: value for name, value in query.items() if value not in (None, "")}
    try:
        response = await client.get(path, params=given, headers=session_header(request))
        note_if_known(request.scope, response.headers)
        if response.is_success:
            return answer.model_validate_json(response.content)
        problem = Problem.model_validate_json(response.content)
    except httpx.TransportError:
        raise ServiceSays(503, NO_SERVICE, "fault") from None
    except ValidationError:
        raise ServiceSays(502, NO_SERVICE, "fault") from None
    raise ServiceSays(response.status_code, problem.error, problem.kind)
