"""What views ask of the service on behalf of the person who looks: documents, or why not."""

from __future__ import annotations

from http.cookiejar import CookieJar, DefaultCookiePolicy
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
from starlette.requests import Request

from platelink.web.passing import session_header
from platelink.web.words import NO_SERVICE

Document = dict[str, Any]
PATIENCE_S = 10.0
SIGN_IN = 401
NOBODY = "nobody is entered yet"
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
        transport=httpx.AsyncHTTPTransport(
            uds=str(socket), limits=httpx.Limits(max_connections=64)
        ),
        base_url="http://localhost",
        cookies=CookieJar(DefaultCookiePolicy(allowed_domains=())),
        timeout=PATIENCE_S,
        trust_env=False,
        follow_redirects=False,
        headers={"user-agent": "platelink-page"},
    )


async def get(request: Request, path: str, **query: Any) -> Any:
    """The service's document at this path; ``ServiceSays`` when there is none."""
    client: httpx.AsyncClient = request.app.state.client
    if any(part in (".", "..") for part in path.split("/")):
        raise ServiceSays(404, "", "unknown")
    asked = {name: value for name, value in query.items() if value not in (None, "")}
    try:
        answer = await client.get(path, params=asked, headers=session_header(request))
        document = answer.json()
    except httpx.TransportError:
        raise ServiceSays(503, NO_SERVICE, "fault") from None
    except ValueError:
        raise ServiceSays(502, NO_SERVICE, "fault") from None
    if answer.is_success:
        return document
    said = document if isinstance(document, dict) else {}
    raise ServiceSays(answer.status_code, str(said.get("error", "")), str(said.get("kind", "")))
