"""Anything that can be sent to the service: never a fault, always an answer of the documented form.

schemathesis makes requests of the OpenAPI document, good ones and bad ones, and judges the answers:
once with a daemon that only notes them, once with a whole unit behind the wire.
"""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
import requests
import schemathesis
import urllib3
from daemon.daemon_shop import Bench, Daemon, config_for
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from api.api_shop import LEAD, METER, Shop, record, shop
from platelink.api.app import routes_app
from platelink.api.inprocess import InProcess
from platelink.api.wire import reply_of
from platelink.backlog import encoded
from platelink.contract.wire import AnyRequest, line_of
from platelink.recipe import example
from platelink.simulated.virtual import SimulatedTimeLoop

pytestmark = pytest.mark.timeout(600)  # all operations are one test to pytest
CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance,
    response_schema_conformance, negative_data_rejection,
]  # fmt: skip
THERE = {
    "/v1/alarms": "calibration overdue", "/v1/plates": "plate-1", "/v1/recipes": "plate-a-fine@1",
    "/v1/lots": "lot-7", "/v1/screens": "fine", "/v1/films": "F-12", "/v1/maintenance": "seal",
    "/v1/runs": "r1", "/v1/people": LEAD,
    "/v1/calibrations": "light 0@1", "/v1/counts": "light 0", "/v1/ask": "r1",
    "/v1/experiments": "wedge-1",
}  # fmt: skip
"""What there is below each path: chance alone would never find it."""
AFTER_S = 0.3
"""Simulated time that a unit lives on after each request."""

schema = schemathesis.openapi.from_dict(routes_app(None).openapi())
REFUSED = ["400", "401", "403", "404", "405", "409", "413", "415", "421", "422", "429"]
schema.config.checks.negative_data_rejection.expected_statuses = REFUSED


class ToApp(requests.adapters.HTTPAdapter):
    """Sends what schemathesis would send over a line to the application itself."""

    def __init__(self, transport: InProcess) -> None:
        super().__init__()
        self._transport = transport

    def send(self, request: requests.PreparedRequest, *_: Any, **__: Any) -> requests.Response:
        body = request.body.encode() if isinstance(request.body, str) else request.body or b""
        asked = httpx.Request(
            str(request.method), str(request.url), headers=dict(request.headers), content=body
        )
        answer = self._transport.handle_request(asked)
        raw = urllib3.HTTPResponse(
            io.BytesIO(answer.content), answer.headers, answer.status_code, preload_content=False
        )
        return self.build_response(request, raw)


class WholeUnit:
    """A real shell, core and simulated unit in a thread and a time of their own."""

    def __init__(self, directory: Path) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._thread.submit(self._begin, directory).result()

    def _begin(self, directory: Path) -> None:
        self._loop = SimulatedTimeLoop()

        async def begin() -> None:
            self._daemon = Daemon(config_for(directory), Bench())
            await self._daemon.__aenter__()
            await self._daemon.until_up()

        self._loop.run_until_complete(begin())

    async def ask(self, request: AnyRequest, reply: type[Any]) -> Any:
        loop = asyncio.get_running_loop()
        line = json.loads(encoded(line_of(request)))
        return reply_of(await loop.run_in_executor(self._thread, self._answer, line), reply)

    def _answer(self, request: dict[str, Any]) -> dict[str, Any]:
        async def answer() -> dict[str, Any]:
            said = self._daemon.shell.handle(request)
            await asyncio.sleep(AFTER_S)
            return said

        said = self._loop.run_until_complete(answer())
        assert self._loop.faults == []
        return said

    def end(self) -> None:
        def end() -> None:
            self._loop.run_until_complete(self._daemon.__aexit__())
            self._loop.close()

        self._thread.submit(end).result()
        self._thread.shutdown()


class Target:
    """The application, and a session of requests to it."""

    def __init__(self, this: Shop) -> None:
        self.this = this
        self.session = requests.Session()
        self.session.mount("http://", ToApp(InProcess(this.app, this._runner)))
        self.session.headers["platelink-local"] = "1"

    def judge(self, case: Any) -> None:
        self.name_what_is_there(case)
        # Where nothing is heard of the daemon any more, 503 is the right answer of this one.
        checks = CHECKS[1:] if case.operation.path == "/v1/health" else CHECKS
        case.call_and_validate(base_url="http://platelink", session=self.session, checks=checks)

    def name_what_is_there(self, case: Any) -> None:
        """About half of the cases are about what is there."""
        beginning = "/".join(case.operation.path.split("/")[:3])
        for name, value in (case.path_parameters or {}).items():
            if name != "act" and isinstance(value, str) and len(value) % 2:
                case.path_parameters[name] = THERE[beginning]
        for given in (case.query, case.body):
            for name in ("a", "b", "recipe"):
                value = given.get(name) if isinstance(given, dict) else None
                if isinstance(value, str) and len(value) % 2:
                    given[name] = THERE["/v1/recipes"]


def furnish(this: Shop) -> None:
    with this.client() as client:
        client.add_recipe(example.text("plate-a-fine"))
        client.add_supply(
            "lots", name="lot-7", stock="example-stock-a", received_on="2026-01-02", area_cm2=9e4
        )
        client.add_supply("screens", name="fine", ruling_lines_per_cm=120.0, tint_pct=80.0)
        client.add_supply("maintenance", name="seal", days=30)
        client.add_supply("films", name="F-12", artwork="invented", made_on="2026-01-02")
        client.post("/calibrations", sensor="light 0", reference=METER)
        client.post("/experiments", kind="wedge")
        client.approve_recipe("plate-a-fine@1", "for the test")
        client.make_plate(recipe="plate-a-fine", plate="plate-1", lot="lot-7", area_cm2=10.0)


@pytest.fixture(scope="module")
def noting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    directory = tmp_path_factory.mktemp("noting")
    record(directory / "journal.sqlite")
    with shop(directory) as this:
        furnish(this)
        yield Target(this)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    directory = tmp_path_factory.mktemp("whole")
    unit = WholeUnit(directory)
    with shop(directory, daemon=unit) as this:
        furnish(this)
        yield Target(this)
    unit.end()


FEW = settings(
    max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck), derandomize=True, database=None,
)  # fmt: skip


@schema.parametrize()
@FEW
def test_any_request(case: Any, noting: Target) -> None:
    noting.judge(case)


@schema.include(path_regex="/v1/(plates|expose|exposure|alarms|status).*").parametrize()
@FEW
def test_any_request_to_a_whole_unit(case: Any, whole: Target) -> None:
    whole.judge(case)
