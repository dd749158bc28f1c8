"""A whole service in one process: its real routes, stores and people, with a daemon that only
notes what it is asked. Every name and figure is invented."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import httpx
import jsonschema
from argon2 import PasswordHasher
from plain_client import Client
from record import make
from whole_documents import STATUS

from platelink.api.access import WITH_UNIT
from platelink.api.accounts import Accounts
from platelink.api.app import make_app, routes_app
from platelink.api.context import Context
from platelink.api.errors import ApiError
from platelink.api.hub import Hub
from platelink.api.inprocess import InProcess
from platelink.api.security import SecurityLog
from platelink.api.stores import people_remembered
from platelink.contract.service import SensorSettings, Settings
from platelink.contract.wire import AnyRequest, line_of
from platelink.people.hashing import Hashing
from platelink.people.store import People

QUICK = Hashing(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
LEAD, OPERATOR, AUDITOR = "Ada Invented", "Otto Invented", "Ida Invented"
ROLES = {LEAD: "lead", OPERATOR: "operator", AUDITOR: "auditor"}
SECRETS = {LEAD: "a lead's long secret", OPERATOR: "718293", AUDITOR: "an auditor's secret"}
URL = "http://platelink"
COUNTS = {
    "sensor": "light 0", "unit": "mW/cm²", "x": None, "value": 1.0, "drift": 0.0, "limit": 0.5,
    "waits_s": 0.0, "settled": True, "text": "settled",
    "counts": {
        "mean": 21.3, "rms": 0.6, "u_mean": 0.02, "n": 6000, "low": 19, "high": 24, "head_c": None,
        "supply_v": None,
    },
}  # fmt: skip
METER = {
    "name": "hand meter (invented)", "certificate": "EX-117", "due_on": "2026-12-01",
    "u_pct": 7.0, "resolution": 0.01,
}  # fmt: skip


LIGHT_ALONE = (SensorSettings(name="light 0", settings={}, stands_on={"adc_bits": 10}),)


class NotingDaemon:
    """Notes what it is asked; ``answer`` decides what is said."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.told: list[dict[str, Any]] = []
        """Of the security log."""
        self.answer: Callable[[dict[str, Any]], dict[str, Any]] = self.usual

    async def ask(self, request: AnyRequest, reply: type[Any]) -> Any:
        if request.do == "security":
            self.told.append(line_of(request))
            return reply.model_validate({"run_id": None})
        self.asked.append(line_of(request))
        return reply.model_validate(self.answer(self.asked[-1]))

    def usual(self, asked: dict[str, Any]) -> dict[str, Any]:
        return {
            "plate_make": {"run_id": None, "plate": "plate-1"},
            "plates": {"run_id": None, "plates": []},
            "status": STATUS,
            "counts": COUNTS,
        }.get(asked["do"], {"run_id": "run-1"})

    def refuse(self, text: str, kind: Any = "refused") -> None:
        def answer(_: dict[str, Any]) -> dict[str, Any]:
            raise ApiError(text, kind)

        self.answer = answer


class Judged(InProcess):
    """Holds every answer to the OpenAPI document."""

    document = routes_app(None).openapi()
    patterns: ClassVar = {
        re.compile(re.sub(r"\{\w+\}", ".+" if path in WITH_UNIT else "[^/]+", path)): path
        for path in document["paths"]
    }
    judged: ClassVar[set[str]] = set()
    """Routes whose good answers were seen."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        answer = super().handle_request(request)
        path = next((p for r, p in self.patterns.items() if r.fullmatch(request.url.path)), None)
        if path is None or request.method.lower() not in self.document["paths"][path]:
            assert not answer.is_success or request.url.path.endswith("openapi.json")
            return answer
        operation = self.document["paths"][path][request.method.lower()]
        told = operation["responses"][str(answer.status_code)]
        if "$ref" in told:
            told = self.document["components"]["responses"][told["$ref"].rpartition("/")[2]]
        if "application/json" in told["content"]:
            schema = told["content"]["application/json"]["schema"]
            jsonschema.validate(
                answer.json(), {**schema, "components": self.document["components"]}
            )
        if answer.is_success:
            self.judged.add(f"{request.method} {path}")
        return answer


class Shop:
    """``with shop(tmp_path) as this``."""

    def __init__(
        self, directory: Path, runner: asyncio.Runner, daemon: Any = None, **settings: Any
    ) -> None:
        self.directory = directory
        self.now = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)
        self.daemon = daemon or NotingDaemon()
        self.hub = Hub()
        self.settings = Settings(
            unit="unit-1",
            journal=directory / "journal.sqlite",
            recipes=directory / "recipes.sqlite",
            people=directory / "people.sqlite",
            calibrations=directory / "calibrations.sqlite",
            experiments=directory / "experiments.sqlite",
            hosts=("plates.example",),
            lamps="wired",
            **{"sensors": LIGHT_ALONE} | settings,
        )
        self.accounts = Accounts(
            self.settings.people,
            lambda: self.now,
            lambda path: People.open(path, hashing=QUICK),
            hold_s=0.0,
            remembered=lambda: people_remembered(self.settings.journal),
        )
        self.security = SecurityLog(self.daemon, lambda: self.now)
        self.context = Context(
            self.settings, self.daemon, self.hub, self.accounts, self.security, lambda: self.now
        )
        self.app = make_app(self.context)
        self._runner = runner

    def later(self, **duration: float) -> None:
        self.now += timedelta(**duration)

    def judged(self, peer: int | None) -> httpx.BaseTransport:
        """The way in of a program of that user; None: by the port."""
        return Judged(self.app, self._runner, peer=peer)

    def client(self, name: str | None = None) -> Client:
        """A program on this computer, signed in as somebody."""
        transport = Judged(self.app, self._runner)
        client = Client(self.directory / "socket", transport=transport)
        if name is not None:
            client.sign_in(name, SECRETS[name])
        return client

    def browser(self, name: str | None = None, **more: Any) -> httpx.Client:
        """Somebody's browser at the port: cookies are kept, and its CSRF token is sent."""
        transport = self.judged(peer=None)
        browser = httpx.Client(transport=transport, base_url="http://localhost:8470", **more)
        if name is not None:
            answer = browser.post("/v1/sign-in", json={"name": name, "secret": SECRETS[name]})
            assert answer.status_code == 200, answer.text
            browser.headers["x-csrf-token"] = answer.json()["csrf"]
        return browser

    def enter_people(self) -> None:
        """One of each role."""
        with self.client() as client:
            client.add_first(LEAD, SECRETS[LEAD])
        with self.client(LEAD) as client:
            for name in (OPERATOR, AUDITOR):
                client.add_person(name, ROLES[name], SECRETS[name])


@contextmanager
def shop(
    directory: Path, *, people: bool = False, daemon: Any = None, **settings: Any
) -> Iterator[Shop]:
    with asyncio.Runner() as runner:
        this = Shop(directory, runner, daemon, **settings)
        try:
            if people:
                this.enter_people()
            yield this
        finally:
            this.accounts.close()


def record(path: Path, runs: int = 3) -> None:
    """A journal with some runs."""
    with make.journal_at(path) as journal:
        for number in range(runs):
            run_id, at = f"r{number}", make.later(60.0 * number)
            journal.append(make.start(
                journal, run_id, at, plate=f"plate-{number}", operator=OPERATOR, job="job-ä",
                note="Ruß" if number == 1 else None,
            ))  # fmt: skip
            journal.append(make.channels(journal, run_id))
            journal.append_samples(run_id, make.block(400), make.later(60.0 * number + 20.0))
            journal.append(make.event(journal, run_id, name="learned", at=make.later(61.0),
                                      data={"afterglow_s": 0.01 + 0.001 * number,
                                            "warm_up_deficit_s": 0.5,
                                            "irradiance_mw_cm2": 8.0}))  # fmt: skip
            journal.end_run(run_id, make.later(60.0 * number + 30.0), "complete", "done",
                            dose_mj_cm2=340.0, light_s=20.0)  # fmt: skip
