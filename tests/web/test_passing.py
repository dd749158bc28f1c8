"""What goes to the service and what comes back: little in, little out."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx
import pytest

from platelink.web.app import build
from platelink.web.passing import MOST_BYTES
from platelink.web.service import new_client
from platelink.web.settings import PageSettings

OWN = "http://localhost:8460"
ORIGIN = {"origin": OWN}


class Service:
    """Notes what it is asked and answers the same to everything."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.answer = httpx.Response(200, json={"ok": True})
        self.broken = False

    def handle(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        if self.broken:
            raise httpx.ConnectError("no such file")
        return self.answer


def ask(
    service: Service, method: str, path: str, *, base: str = OWN, **more: Any
) -> httpx.Response:
    """One request to the page, whose service this is."""

    async def asking() -> httpx.Response:
        guard: Any = build(PageSettings(Path("unused.socket")))
        transport = httpx.MockTransport(service.handle)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as behind:
            guard.app.state.client = behind
            page = httpx.ASGITransport(guard)
            async with httpx.AsyncClient(transport=page, base_url=base) as browser:
                return await browser.request(method, path, **more)

    return asyncio.run(asking())


def test_cookie_and_csrf_go_through_and_nothing_else() -> None:
    service = Service()
    headers = {
        **ORIGIN, "cookie": "platelink_session=abc_-12; other=secret", "x-csrf-token": "c",
        "platelink-local": "1", "authorization": "Bearer stolen", "x-forwarded-for": "1.2.3.4",
        "accept-language": "de",
    }  # fmt: skip
    answer = ask(service, "POST", "/api/v1/plates/P%201/begin?a=b", headers=headers, json={"s": 1})
    assert answer.json() == {"ok": True}
    [request] = service.asked
    assert request.url == "http://localhost/v1/plates/P%201/begin?a=b"
    assert request.content == b'{"s":1}'
    assert request.headers["cookie"] == "platelink_session=abc_-12"
    assert request.headers["x-csrf-token"] == "c"
    for name in ("platelink-local", "authorization", "x-forwarded-for", "origin"):
        assert name not in request.headers


def test_a_cookie_that_is_no_token_does_not_go_through() -> None:
    service = Service()
    ask(service, "GET", "/api/v1/me", headers={"cookie": 'platelink_session="a\\073 b"'})
    assert "cookie" not in service.asked[0].headers


@pytest.mark.parametrize(
    "path", ["/api/v1/people/first", "/api/v1/people/%66irst", "/api/v1/people/regain"]
)
def test_what_only_the_units_computer_may_is_never_asked_from_here(path: str) -> None:
    service = Service()
    assert ask(service, "POST", path, headers=ORIGIN, json={}).status_code == 403
    assert service.asked == []


@pytest.mark.parametrize(
    "path",
    ["/api/v1/../v1/people/first", "/api/v1/x/%2e%2e/people/first", "/api/v1//people/first",
     "/api/v1/people/first/", "/api/v2/x", "/api/", "/api/v1/people/./first"],
)  # fmt: skip
def test_no_other_way_leads_there(path: str) -> None:
    service = Service()
    answer = ask(service, "POST", path, headers=ORIGIN, json={})
    assert answer.status_code in (403, 404)
    assert [request.url.path for request in service.asked] == []


def test_what_is_too_much_is_refused() -> None:
    service = Service()
    body = b"x" * (MOST_BYTES + 1)
    answer = ask(service, "POST", "/api/v1/recipes", headers=ORIGIN, content=body)
    assert answer.status_code == 413 and service.asked == []


def test_refusals_come_through_as_they_are() -> None:
    service = Service()
    problem = {"error": "the plate is at dry now; look again", "kind": "refused"}
    service.answer = httpx.Response(409, json=problem, headers={"server": "x", "retry-after": "3"})
    answer = ask(service, "POST", "/api/v1/plates/p/done", headers=ORIGIN, json={})
    assert (answer.status_code, answer.json()) == (409, problem)
    assert answer.headers["retry-after"] == "3" and "server" not in answer.headers


def test_without_a_service_it_says_what_to_do() -> None:
    service = Service()
    service.broken = True
    answer = ask(service, "GET", "/api/v1/status")
    assert answer.status_code == 503
    assert "platelink doctor" in answer.json()["error"]


def test_cookies_come_back_and_are_secure_where_the_way_is() -> None:
    service = Service()
    cookie = "platelink_session=t; HttpOnly; Path=/; SameSite=strict"
    service.answer = httpx.Response(200, json={}, headers={"set-cookie": cookie})
    plain = ask(service, "POST", "/api/v1/sign-in", headers=ORIGIN, json={})
    assert plain.headers["set-cookie"] == cookie
    own = "https://localhost:8460"
    secure = ask(service, "POST", "/api/v1/sign-in", base=own, headers={"origin": own}, json={})
    assert secure.headers["set-cookie"] == f"{cookie}; Secure"


def test_curves_are_compressed_and_nothing_secret_is() -> None:
    service = Service()
    service.answer = httpx.Response(200, json={"values": [1.0] * 1000})
    curves = ask(service, "GET", "/api/v1/runs/r/samples")
    assert curves.headers["content-encoding"] == "gzip"
    assert curves.json() == {"values": [1.0] * 1000}
    assert "content-encoding" not in ask(service, "GET", "/api/v1/me").headers


def test_the_client_of_all_browsers_keeps_no_cookie() -> None:
    async def kept() -> int:
        async with new_client(Path("unused.socket")) as client:
            request = httpx.Request("POST", "http://localhost/v1/sign-in")
            cookie = {"set-cookie": "platelink_session=t; Path=/"}
            client.cookies.extract_cookies(httpx.Response(200, headers=cookie, request=request))
            return len(client.cookies.jar)

    assert asyncio.run(kept()) == 0


def test_a_header_that_is_no_plain_text_is_a_refusal() -> None:
    service = Service()
    for name in (b"x-csrf-token", b"content-type", b"accept"):
        headers = [(b"origin", OWN.encode()), (name, b"\xe4\xff")]
        answer = ask(service, "POST", "/api/v1/plates", headers=headers, content=b"{}")
        assert answer.status_code == 400 and answer.json()["kind"] == "misuse"
    assert not service.asked


def test_the_service_is_told_where_a_browser_is_and_which_screen() -> None:
    service = Service()
    cookie = "platelink_session=abc; platelink_screen=def; platelink_theme=dark"
    headers = {**ORIGIN, "cookie": cookie, "platelink-page": "9.9.9.9"}
    ask(service, "POST", "/api/v1/sign-in", headers=headers, json={})
    told = service.asked[0].headers
    assert told["platelink-page"] == "127.0.0.1"  # the browser's, whatever it says itself
    assert told["cookie"] == "platelink_session=abc; platelink_screen=def"
