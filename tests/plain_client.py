"""The service with plain JSON values, as it travels: for tests of the JSON itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self
from urllib.parse import quote

import httpx

from platelink import client as typed

Answer = dict[str, Any]


class Client:
    """See the file's first line."""

    def __init__(
        self, socket: Path, token: str | None = None, *,
        transport: httpx.BaseTransport | None = None,
        **more: float,
    ) -> None:  # fmt: skip
        self.socket = socket
        self.typed = typed.Client(socket, token, transport=transport, **more)
        self._request = self.typed._request
        self._http = self.typed._http

    @property
    def _headers(self) -> dict[str, str]:
        return self.typed._headers

    def close(self) -> None:
        self.typed.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.typed.close()

    def get(self, path: str, /, **query: Any) -> Answer:
        """A GET; query values that are None are left out."""
        given = {name: value for name, value in query.items() if value is not None}
        answer: Answer = self._request("GET", path, params=given).json()
        return answer

    def post(self, path: str, /, **body: Any) -> Answer:
        """A POST; values that are None are left out of the body."""
        given = {name: value for name, value in body.items() if value is not None}
        answer: Answer = self._request("POST", path, json=given).json()
        return answer

    # --- the unit --------------------------------------------------------------------------

    def status(self) -> Answer:
        """What the daemon sees now."""
        return self.get("/status")

    @contextmanager
    def live(self) -> Iterator[Iterator[Answer]]:
        """Lines of the unit as they come."""
        with self.typed.live() as lines:
            yield (json.loads(text) for text in lines._connection)

    def alarms(self) -> Answer:
        """Alarms that are not normal."""
        return self.get("/alarms")

    def alarm(self, name: str, act: str, **body: Any) -> Answer:
        """Acknowledge, reset, shelve (``minutes``), unshelve, remove or return an alarm."""
        return self.post(f"/alarms/{_part(name)}/{act}", **body)

    def expose(self, job: Answer) -> str:
        """Begin an exposure; its run."""
        return str(self.post("/expose", **job)["run_id"])

    def command(self, act: str, reason: str = "") -> Answer:
        """Hold, restart, stop or abort the exposure that is going on."""
        return self.post(f"/exposure/{act}", reason=reason)

    def device(self) -> Answer:
        """The device, its sensors and the settings in force."""
        return self.get("/device")

    # --- plates ----------------------------------------------------------------------------

    def plates(self, **query: Any) -> Answer:
        """Plates in progress and on record."""
        return self.get("/plates", **query)

    def plate(self, plate: str) -> Answer:
        """Everything about one plate."""
        return self.get(f"/plates/{_part(plate)}")

    def make_plate(self, **body: Any) -> Answer:
        """Start a plate from a recipe."""
        return self.post("/plates", **body)

    def act(self, plate: str, act: str, **body: Any) -> Answer:
        """Do something to a plate."""
        return self.post(f"/plates/{_part(plate)}/{act}", **body)

    # --- recipes, lots, screens ------------------------------------------------------------

    def recipes(self, *, every: bool = False) -> list[Answer]:
        """Recipes by their present revision, or every revision."""
        return list(self.get("/recipes", every=every)["recipes"])

    def recipe(self, which: str) -> Answer:
        """One revision with its content."""
        return self.get(f"/recipes/{_part(which)}")

    def recipe_toml(self, which: str) -> str:
        """One revision as a file."""
        return self._request("GET", f"/recipes/{_part(which)}/toml").text

    def recipe_diff(self, a: str, b: str) -> Answer:
        """What ``b`` does differently from ``a``."""
        return self.get("/recipe-diff", a=a, b=b)

    def add_recipe(self, toml: str, why: str = "") -> Answer:
        """Add a draft."""
        return self.post("/recipes", toml=toml, why=why)

    def approve_recipe(self, which: str, why: str) -> Answer:
        """Approve a draft."""
        return self.post(f"/recipes/{_part(which)}/approve", why=why)

    def retire_recipe(self, which: str, why: str) -> Answer:
        """Retire a revision."""
        return self.post(f"/recipes/{_part(which)}/retire", why=why)

    def supplies(self, what: str) -> list[Answer]:
        """All ``lots`` or all ``screens``."""
        return list(self.get(f"/{what}")[what])

    def supply(self, what: str, name: str) -> Answer:
        """One of the ``lots`` or ``screens``, with its history."""
        return self.get(f"/{what}/{_part(name)}")

    def add_supply(self, what: str, /, **body: Any) -> Answer:
        """Add to the ``lots`` or ``screens``."""
        return self.post(f"/{what}", **body)

    def at_supply(self, what: str, name: str, act: str, body: Answer) -> Answer:
        """Open, use, count, change or close one; here null in ``body`` takes a value away."""
        path = f"/{what}/{_part(name)}/{act}"
        answer: Answer = self._request("POST", path, json=body).json()
        return answer

    # --- records ---------------------------------------------------------------------------

    def runs(self, **query: Any) -> Answer:
        """Runs, newest first."""
        return self.get("/runs", **query)

    def run(self, run_id: str) -> Answer:
        """One run."""
        return self.get(f"/runs/{_part(run_id)}")

    def samples(self, run_id: str, **query: Any) -> Answer:
        """A run's samples, few enough to draw."""
        return self.get(f"/runs/{_part(run_id)}/samples", **query)

    # --- people ----------------------------------------------------------------------------

    def sign_in(self, name: str, secret: str) -> Answer:
        """Sign in; the answer's token is used from then on."""
        return self.typed.sign_in(name, secret).model_dump(mode="json")

    def sign_out(self) -> Answer:
        """Sign out."""
        return self.post("/sign-out")

    def me(self) -> Answer:
        """Who the service takes us for."""
        return self.get("/me")

    def people(self) -> list[Answer]:
        """Everybody."""
        return list(self.get("/people")["people"])

    def people_history(self, name: str | None = None, limit: int = 100) -> list[Answer]:
        """The newest entries about somebody, or about everybody; oldest first."""
        return list(self.get("/people-history", name=name, limit=limit)["entries"])

    def add_first(self, name: str, secret: str) -> Answer:
        """Enter the first lead."""
        return self.post("/people/first", name=name, secret=secret)

    def regain(self, name: str, secret: str, why: str) -> Answer:
        """Give a lead a new secret, as the owner of the unit's files."""
        return self.post("/people/regain", name=name, secret=secret, why=why)

    def add_person(self, name: str, role: str, secret: str) -> Answer:
        """Add a person."""
        return self.post("/people", name=name, role=role, secret=secret)

    def at_person(self, name: str, act: str, **body: Any) -> Answer:
        """Another secret or role, or close, open, unlock."""
        return self.post(f"/people/{_part(name)}/{act}", **body)


def _part(text: str) -> str:
    """A text as one part of a path."""
    return quote(text, safe="")
