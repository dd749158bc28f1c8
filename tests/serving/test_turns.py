"""Whose request is worked on next: a stop at once, whatever else is there."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from starlette.responses import PlainTextResponse
from starlette.types import Message, Receive, Scope, Send

from platelink.serving import turns as module
from platelink.serving.seats import Seat
from platelink.serving.turns import Rules, Turns, keep_line, note_known


class App:
    """Works on a request until it is told that it is done; knows the token ``good``."""

    def __init__(self) -> None:
        self.working: list[str] = []
        self.done = asyncio.Event()
        self.bodies: list[bytes] = []

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["token"] == "good":
            note_known(scope)
        self.working.append(scope["path"])
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            keep_line(scope)
        else:
            self.bodies.append((await receive())["body"])
        await self.done.wait()
        self.working.remove(scope["path"])


class Asked:
    """One request, and what was answered."""

    def __init__(self, path: str, token: str = "", guest: str = "g", **scope: Any) -> None:
        self.seat = Seat(guest)
        self.scope = {"type": "http", "path": path, "token": token, "state": {"seat": self.seat},
                      "headers": [], **scope}  # fmt: skip
        self.said: list[Message] = []
        self.parts: list[Message] = [{"type": "http.request", "body": b"whole"}]

    async def receive(self) -> Message:
        while not self.parts:
            await asyncio.sleep(0.001)
        return self.parts.pop(0)

    async def send(self, message: Message) -> None:
        self.said.append(message)

    def ask(self, app: Any) -> asyncio.Task[None]:
        return asyncio.create_task(app(self.scope, self.receive, self.send))

    @property
    def status(self) -> int | None:
        return next((m["status"] for m in self.said if "status" in m), None)


RULES = Rules(
    urgent=lambda scope: scope["path"] == "/stop",
    token=lambda scope: str(scope["token"]),
    refuse=lambda scope, status: PlainTextResponse("no", status),
    most_bytes=10,
    at_once=4,
    each=2,
    room_each=3,
    room=6,
)


async def settle() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def run(work: Callable[[Turns, App], Coroutine[Any, Any, None]], monkeypatch: Any) -> None:
    monkeypatch.setattr(module, "REFUSAL_S", 0.0)
    monkeypatch.setattr(module, "REFUSALS_APART_S", 0.0)

    async def whole() -> None:
        app = App()
        turns = Turns(app, RULES)
        before = asyncio.all_tasks()
        try:
            await asyncio.wait_for(work(turns, app), 20.0)
        finally:
            app.done.set()
            for task in asyncio.all_tasks() - before:
                task.cancel()

    asyncio.run(whole())


def test_a_stop_waits_for_nothing_and_is_never_turned_away(monkeypatch: Any) -> None:
    async def work(turns: Turns, app: App) -> None:
        flood = [Asked(f"/read{n}", guest=f"g{n % 5}") for n in range(60)]
        for asked in flood:
            asked.ask(turns)
        await settle()
        assert len(app.working) == RULES.at_once
        stops = [Asked("/stop", guest=f"s{n}") for n in range(3)]
        for asked in stops:
            asked.ask(turns)
        await settle()
        assert app.working.count("/stop") == 3
        assert all(asked.seat.kept for asked in stops)
        await asyncio.sleep(0.02)
        refused = [asked for asked in flood if asked.status is not None]
        assert {asked.status for asked in refused} == {429}
        assert len(refused) == len(flood) - RULES.at_once - RULES.room

    run(work, monkeypatch)


def test_strangers_who_cry_stop_are_waited_for_by_nobody_we_know(monkeypatch: Any) -> None:
    async def work(turns: Turns, app: App) -> None:
        known = Asked("/read", "good")
        task = known.ask(turns)
        await settle()
        app.done.set()
        await task
        app.done.clear()
        for n in range(40):
            Asked("/stop", f"guessed{n}").ask(turns)
        await settle()
        assert len(app.working) == 2  # of one address
        Asked("/stop", "good").ask(turns)
        await settle()
        assert len(app.working) == 3

    run(work, monkeypatch)


def test_a_seat_is_kept_while_its_request_is_worked_on_and_no_longer(monkeypatch: Any) -> None:
    async def work(turns: Turns, app: App) -> None:
        asked = [Asked(f"/read{n}") for n in range(3)]
        tasks = [one.ask(turns) for one in asked]
        await settle()
        assert [one.seat.kept for one in asked] == [True, True, False]
        app.done.set()
        await asyncio.gather(*tasks)
        assert not any(one.seat.kept for one in asked)

    run(work, monkeypatch)


def test_a_live_line_gives_its_turn_back_and_keeps_its_seat(monkeypatch: Any) -> None:
    async def work(turns: Turns, app: App) -> None:
        lines = [Asked(f"/live{n}", type="websocket") for n in range(6)]
        for line in lines:
            line.ask(turns)
            await settle()
        assert len(app.working) == 6 and all(line.seat.kept for line in lines)

    run(work, monkeypatch)


def test_a_body_that_comes_slowly_holds_up_nobody(monkeypatch: Any) -> None:
    monkeypatch.setattr(module, "BODY_S", 0.05)

    async def work(turns: Turns, app: App) -> None:
        slow = [Asked("/stop"), Asked("/read")]
        for asked in slow:
            asked.parts = [{"type": "http.request", "body": b"w", "more_body": True}]
            asked.ask(turns)
        await settle()
        assert app.working == [] and not any(asked.seat.kept for asked in slow)
        await asyncio.sleep(0.1)
        assert [asked.status for asked in slow] == [408, 408]
        late = Asked("/read")
        late.parts = [
            {"type": "http.request", "body": b"wh", "more_body": True},
            {"type": "http.request", "body": b"ole"},
        ]
        late.ask(turns)
        long = Asked("/read")
        long.parts = [{"type": "http.request", "body": b"x" * 11}]
        long.ask(turns)
        await asyncio.sleep(0.02)
        assert app.bodies == [b"whole"] and long.status == 413

    run(work, monkeypatch)


def test_no_more_tokens_are_remembered_than_people_could_have(monkeypatch: Any) -> None:
    monkeypatch.setattr(module, "REMEMBERED", 3)

    async def work(turns: Turns, app: App) -> None:
        for n in range(9):
            turns._know(f"t{n % 5}")
        assert list(turns._known) == ["t1", "t2", "t3"]

    run(work, monkeypatch)


@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_it_is_known_before_anything_is_made_of_it(kind: str, monkeypatch: Any) -> None:
    async def work(turns: Turns, app: App) -> None:
        for n in range(3):
            Asked(f"/read{n}").ask(turns)
        await settle()
        assert turns.crowded(Asked("/more", type=kind).scope)
        assert not turns.crowded(Asked("/more", guest="other", type=kind).scope)
        assert not turns.crowded(Asked("/stop", type=kind).scope)

    run(work, monkeypatch)
