"""The service's end of the wire: answers to their questions, a flood, a daemon that ends."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from platelink.api import wire as module
from platelink.api.errors import ApiError
from platelink.api.hub import Hub
from platelink.api.wire import AT_ONCE, WAITING, NoDaemon, Wire


class Other:
    """The daemon's end in the test's hand."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end
        end.setblocking(False)

    async def heard(self) -> list[dict[str, Any]]:
        """What was asked since, once all that is ready has had its turns."""
        for _ in range(5):
            await asyncio.sleep(0)
        try:
            return [json.loads(line) for line in self._end.recv(1 << 20).splitlines()]
        except BlockingIOError:
            return []

    def say(self, **line: Any) -> None:
        self._end.send(json.dumps(line).encode() + b"\n")


def run(work: Callable[[Wire, Other, list[Any]], Coroutine[Any, Any, None]]) -> None:
    async def whole() -> None:
        ours, theirs = socket.socketpair()
        said: list[Any] = []
        wire = Wire(said.append, lambda: said.append("lost"))
        await wire.connect(ours.detach())
        try:
            await asyncio.wait_for(work(wire, Other(theirs), said), 20.0)
        finally:
            theirs.close()
            for _ in range(5):
                await asyncio.sleep(0)
            assert said[-1] == "lost"

    asyncio.run(whole())


def test_answers_find_their_questions_in_any_order() -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        tasks = [asyncio.create_task(wire.ask("hold", n=n)) for n in range(3)]
        asked = await other.heard()
        assert [line["n"] for line in asked] == [0, 1, 2]
        for line in reversed(asked):
            other.say(id=line["id"], ok=True, n=line["n"])
        other.say(event={"name": "x"})
        other.say(id=99, ok=True)  # to nobody
        assert [await task for task in tasks] == [{"n": 0}, {"n": 1}, {"n": 2}]
        await other.heard()
        assert said == [{"event": {"name": "x"}}]

    run(work)


@pytest.mark.parametrize("kind", ["refused", "unknown", "fault", "misuse", "no right"])
def test_a_refusal_has_its_kind(kind: str) -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        task = asyncio.create_task(wire.ask("hold"))
        (asked,) = await other.heard()
        other.say(id=asked["id"], ok=False, error="no", kind=kind)
        with pytest.raises(ApiError, match="no") as caught:
            await task
        assert caught.value.kind == kind

    run(work)


def test_a_flood_comes_to_the_daemon_a_few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PAUSE_S", 0.0)

    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        tasks = [asyncio.create_task(wire.ask("hold")) for _ in range(2 * WAITING)]
        answered = 0
        while answered < WAITING:
            asked = await other.heard()
            assert len(asked) <= AT_ONCE
            for line in asked:
                other.say(id=line["id"], ok=True)
            answered += len(asked)
        results = await asyncio.gather(*tasks, return_exceptions=True)
        kinds = [r.kind if isinstance(r, ApiError) else "done" for r in results]
        assert kinds == ["done"] * WAITING + ["too many"] * WAITING
        assert wire._waiting == 0

    run(work)


def test_a_turn_is_given_up_after_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever floods gets no more than so many acts a second, however quick the daemon is."""
    monkeypatch.setattr(module, "PAUSE_S", 600.0)

    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        tasks = [asyncio.create_task(wire.ask("hold")) for _ in range(AT_ONCE + 1)]
        for line in await other.heard():
            other.say(id=line["id"], ok=True)
        await asyncio.gather(*tasks[:-1])
        assert await other.heard() == []
        tasks[-1].cancel()

    run(work)


def test_a_daemon_that_is_silent_and_one_that_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        monkeypatch.setattr(module, "ANSWER_S", 0.01)
        with pytest.raises(ApiError, match="did not answer") as caught:
            await wire.ask("status")
        assert caught.value.status == 503
        monkeypatch.setattr(module, "ANSWER_S", 60.0)
        task = asyncio.create_task(wire.ask("status"))
        await other.heard()
        other._end.close()
        with pytest.raises(ApiError, match="the daemon ended"):
            await task
        with pytest.raises(ApiError, match="no daemon of this unit runs"):
            await wire.ask("status")
        with pytest.raises(ApiError, match="no daemon of this unit runs"):
            await NoDaemon().ask("status")

    run(work)


def test_followers_get_the_newest_status_first() -> None:
    async def work() -> None:
        hub = Hub()
        hub.told({"status": {"n": 1}})
        hub.told({"status": {"n": 2}})
        follower = hub.follow()
        hub.told({"event": {"n": 3}})
        hub.told({"status": {"n": 4}})
        hub.told({"missed": 7})
        lines = [json.loads(await follower.next()) for _ in range(3)]
        assert lines == [{"event": {"n": 3}}, {"missed": 7}, {"status": {"n": 4}}]
        waiting = asyncio.create_task(follower.next())
        await asyncio.sleep(0)
        assert not waiting.done()
        hub.told({"status": {"n": 5}})
        assert json.loads(await waiting) == {"status": {"n": 5}}

    asyncio.run(work())
