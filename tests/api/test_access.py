"""Who may do what: every route, every role, every way to ask."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.responses import JSONResponse
from starlette.types import Receive, Scope, Send

from api.api_shop import AUDITOR, LEAD, OPERATOR, ROLES, SECRETS, Shop, shop
from platelink.api.access import ANYBODY, ROWS, Row, rows_of
from platelink.api.app import routes_app
from platelink.api.authentication import Authentication
from platelink.api.guard import Guard
from platelink.api.inprocess import InProcess

LEAD_ONLY = [
    "POST /v1/plates/{plate}/correct",
    "POST /v1/alarms/{name}/shelve",
    "POST /v1/alarms/{name}/unshelve",
    "POST /v1/alarms/{name}/remove",
    "POST /v1/alarms/{name}/return",
    "POST /v1/lessons/drop",
    "POST /v1/calibrations/{name}/approve",
    "POST /v1/lamps",
    "POST /v1/plates/{plate}/skip",
    "POST /v1/recipes/{which}/approve",
    "POST /v1/recipes/{which}/retire",
    "POST /v1/lots",
    "POST /v1/lots/{name}/change",
    "POST /v1/lots/{name}/close",
    "POST /v1/screens",
    "POST /v1/screens/{name}/change",
    "POST /v1/screens/{name}/close",
    "POST /v1/maintenance",
    "POST /v1/maintenance/{name}/change",
    "POST /v1/maintenance/{name}/close",
    "POST /v1/films",
    "POST /v1/films/{name}/change",
    "POST /v1/films/{name}/close",
    "GET /v1/people",
    "GET /v1/people-history",
    "POST /v1/people",
    "POST /v1/people/{name}/role",
    "POST /v1/people/{name}/close",
    "POST /v1/people/{name}/open",
    "POST /v1/people/{name}/unlock",
]
OPEN = [
    "GET /v1/openapi.json", "GET /v1/light", "GET /v1/health", "GET /v1/metrics",
    "POST /v1/sign-in", "POST /v1/people/first", "POST /v1/people/regain",
]  # fmt: skip
AUDITOR_POSTS = [
    "POST /v1/sign-out", "POST /v1/sign-out-others", "POST /v1/people/{name}/secret",
]  # fmt: skip


def allowed(role: str, row: Row) -> bool:
    """Written out by hand: what the rights of each role were agreed to be."""
    route = f"{row.method} {row.path}"
    if route in LEAD_ONLY:
        return role == "lead"
    return role != "auditor" or row.method == "GET" or route in AUDITOR_POSTS


def test_the_hand_written_table_names_routes_that_are_there() -> None:
    known = {f"{row.method} {row.path}" for row in ROWS}
    assert set(LEAD_ONLY) | set(OPEN) | set(AUDITOR_POSTS) <= known
    assert {f"{r.method} {r.path}" for r in ROWS if r.right is ANYBODY} == set(OPEN)


def routes() -> Iterator[tuple[str, str]]:
    """Method and path of every route, with each act in its place."""
    document = routes_app(None).openapi()
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            acts = [
                document["components"]["schemas"][p["schema"]["$ref"].rsplit("/", 1)[1]]["enum"]
                for p in operation.get("parameters", [])
                if p["name"] == "act"
            ]
            for act in acts[0] if acts else [""]:
                yield method.upper(), path.replace("{act}", act)
    yield "GET", "/v1/live"
    yield "GET", "/v1/openapi.json"


def test_every_route_has_its_right_and_every_right_its_route() -> None:
    there = set(routes())
    assert there == {(row.method, row.path) for row in ROWS}
    assert len(ROWS) == len(there)


def test_a_route_that_is_not_in_the_table_is_not_reached() -> None:
    assert rows_of("/v1/secret-route") == {}
    assert rows_of("/v1/plates/p/polish") == {}
    assert rows_of("/v1/plates/p/q/begin") == {}
    assert rows_of("/v1/plates//begin") == {}
    assert rows_of("/v1/status/") == {}
    assert set(rows_of("/v1/lots")) == {"GET", "POST"}


# --- the matrix -----------------------------------------------------------------------------

EXPECTED_OF = {"no host": 421, "wrong host": 421, "two hosts": 421, "wrong origin": 403,
               "other scheme": 403, "null origin": 403, "cross site": 403}  # fmt: skip
TRICKS: dict[str, Any] = {
    "no host": lambda h: [(k, v) for k, v in h if k != "host"],
    "wrong host": lambda h: [(k, "evil.example" if k == "host" else v) for k, v in h],
    "two hosts": lambda h: [*h, ("host", "localhost")],
    "wrong origin": lambda h: [*h, ("origin", "http://evil.example")],
    "other scheme": lambda h: [*h, ("origin", "localhost")],
    "null origin": lambda h: [*h, ("origin", "null")],
    "cross site": lambda h: [*h, ("sec-fetch-site", "cross-site")],
}


async def inside(scope: Scope, receive: Receive, send: Send) -> None:
    """Stands for the routes: says only that the request came in, and who asks."""
    who = scope["state"]["who"]
    await JSONResponse({"who": who and who.name, "role": who and who.role})(scope, receive, send)


class Matrix:
    """Guard and door as they are, in front of nothing."""

    def __init__(self, this: Shop, runner: asyncio.Runner) -> None:
        self.this = this
        app = Guard(Authentication(inside, accounts=this.accounts), hosts=this.settings.hosts)
        self.unix = httpx.Client(transport=InProcess(app, runner), base_url="http://platelink")
        self.port = httpx.Client(
            transport=InProcess(app, runner, peer=None), base_url="http://localhost:8470"
        )
        self.signed: dict[str, dict[str, str]] = {}
        for name in ROLES:
            with this.client() as client:
                self.signed[name] = client.sign_in(name, SECRETS[name])

    def status(self, row: Row, headers: Any, *, unix: bool = False) -> int:
        client = self.unix if unix else self.port
        path = row.path.format(name="x", plate="x", which="x", run="x", act="x", sensor="x")
        given = list(headers.items()) if isinstance(headers, dict) else headers
        request = client.build_request(row.method, path, headers=None)
        fields = [(k, v) for k, v in request.headers.multi_items() if k != "cookie"]
        request = httpx.Request(row.method, request.url, headers=[*fields, *given])
        return client.send(request).status_code


@pytest.fixture(scope="module")
def matrix(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Matrix]:
    with shop(tmp_path_factory.mktemp("people"), people=True) as this:
        yield Matrix(this, this._runner)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.method} {row.path}")
def test_every_way_to_ask(matrix: Matrix, row: Row) -> None:
    is_open = row.right is ANYBODY
    unsafe = row.method == "POST"
    for name, role in ROLES.items():
        signed = matrix.signed[name]
        may = 200 if is_open or allowed(role, row) else 403
        bearer = {"authorization": f"Bearer {signed['token']}"}
        cookie = {"cookie": f"platelink_session={signed['token']}"}
        for unix in (False, True):
            assert matrix.status(row, bearer, unix=unix) == may, (name, "bearer")
            csrf = {**cookie, "x-csrf-token": signed["csrf"]}
            assert matrix.status(row, csrf, unix=unix) == may, (name, "cookie")
            without = 403 if unsafe and not is_open else may
            assert matrix.status(row, cookie, unix=unix) == without, (name, "no CSRF token")
            for wrong in ("", "x", matrix.signed[LEAD if name != LEAD else AUDITOR]["csrf"]):
                sent = {**cookie, "x-csrf-token": wrong}
                assert matrix.status(row, sent, unix=unix) == without, (name, wrong)
            # A program's word for itself adds nothing to a session.
            assert matrix.status(row, {**bearer, "platelink-local": "1"}, unix=unix) == may
    nobody = 200 if is_open else 401
    assert matrix.status(row, {}) == nobody
    assert matrix.status(row, {}, unix=True) == nobody
    assert matrix.status(row, {"authorization": "Bearer wrong"}) == nobody
    assert matrix.status(row, {"authorization": "Basic b3R0bw=="}) == nobody
    assert matrix.status(row, {"cookie": "platelink_session=wrong"}) == nobody
    assert matrix.status(row, {"platelink-local": "1"}) == nobody  # by the port: no
    reads = (
        is_open
        or (row.method == "GET" and allowed("auditor", row))
        or f"{row.method} {row.path}".startswith("POST /v1/sign-out")
    )
    assert matrix.status(row, {"platelink-local": "1"}, unix=True) == (200 if reads else 401)


@pytest.mark.parametrize("trick", TRICKS)
def test_names_and_origins_that_are_not_ours(matrix: Matrix, trick: str) -> None:
    lead = {"authorization": f"Bearer {matrix.signed[LEAD]['token']}"}
    for row in ROWS:
        path = row.path.format(name="x", plate="x", which="x", run="x", sensor="x")
        request = matrix.port.build_request(row.method, path, headers=lead)
        fields = [(k, v) for k, v in request.headers.multi_items()]
        tricky = httpx.Request(row.method, request.url, headers=TRICKS[trick](fields))
        if trick == "no host":
            del tricky.headers["host"]
        assert matrix.port.send(tricky).status_code == EXPECTED_OF[trick], (trick, row)


@pytest.mark.parametrize(
    ("host", "origin", "good"),
    [
        ("localhost:8470", "http://localhost:8470", True),
        ("localhost:8470", "http://LOCALHOST:8470", True),
        ("[::1]:8470", "http://[::1]:8470", True),
        ("plates.example", "https://plates.example", True),
        ("plates.example.", None, True),
        ("PLATES.example", None, True),
        ("localhost:8470", "http://localhost:8471", False),
        ("localhost:8470", "http://localhost:8470.evil.example", False),
        ("plates.example.evil.example", None, False),
        ("localhost@evil.example", None, False),
        ("evil.example:80", None, False),
        ("localhost:port", None, False),
        ("", None, False),
    ],
)
def test_hosts_and_origins(matrix: Matrix, host: str, origin: str | None, good: bool) -> None:
    headers = {"host": host, "authorization": f"Bearer {matrix.signed[OPERATOR]['token']}"}
    if origin is not None:
        headers["origin"] = origin
    answer = matrix.port.get("/v1/status", headers=headers)
    assert (answer.status_code == 200) is good, answer.text


def test_while_nobody_is_entered_this_computer_is_a_lead(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        with this.client() as client:
            me = client.me()
            assert (me["role"], me["local"], me["csrf"]) == ("lead", True, None)
            client.command("hold")
        assert this.daemon.asked[-1]["who"] == me["name"]
        assert not this.settings.people.exists()  # nothing is written to find that out
        for headers in ({}, {"platelink-local": "1"}):
            refused = this.browser().get("/v1/status", headers=headers)
            assert refused.status_code == 401
            assert "platelink user first" in refused.json()["error"]
        refused = this.browser().post(
            "/v1/people/first", json={"name": LEAD, "secret": SECRETS[LEAD]},
            headers={"platelink-local": "1"},
        )  # fmt: skip
        assert refused.status_code == 403
        this.enter_people()
        with this.client() as client:
            assert client.me()["role"] == "auditor"
            assert client.status()["unit"] == "unit-1"


def test_methods_that_are_not_there(matrix: Matrix) -> None:
    for method, path, allow in (("DELETE", "/v1/lots", "GET, POST"), ("POST", "/v1/me", "GET")):
        answer = matrix.port.request(method, path)
        assert (answer.status_code, answer.headers["allow"]) == (405, allow)
    assert matrix.port.get("/v1/nothing").status_code == 404
    assert matrix.port.get("/").json()["kind"] == "unknown"
