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
from platelink.backlog import encoded
from platelink.contract.base import Done
from platelink.contract.unit import Status
from platelink.contract.wire import AskStatus, Control, OnAlarm, OnPlate, only_ends
from platelink.contract.words import AlarmAct, PlateAct


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


def act(number: int = 0) -> Control:
    return Control(do="restart", reason=str(number))


def stop(who: str, number: int = 0) -> Control:
    return Control(do="stop", reason=str(number), who=who)


def test_answers_find_their_questions_in_any_order() -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        tasks = [asyncio.create_task(wire.ask(act(n), Done)) for n in range(3)]
        asked = await other.heard()
        assert [line["reason"] for line in asked] == ["0", "1", "2"]
        for line in reversed(asked):
            other.say(id=line["id"], ok=True, run_id=line["reason"])
        other.say(event={"name": "x"})
        other.say(id=99, ok=True)  # to nobody
        assert [(await task).run_id for task in tasks] == ["0", "1", "2"]
        await other.heard()
        assert [json.loads(line) for line in said] == [{"event": {"name": "x"}}]

    run(work)


@pytest.mark.parametrize("kind", ["refused", "unknown", "fault", "misuse", "no right"])
def test_a_refusal_has_its_kind(kind: str) -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        task = asyncio.create_task(wire.ask(act(), Done))
        (asked,) = await other.heard()
        other.say(id=asked["id"], ok=False, error="no", kind=kind)
        with pytest.raises(ApiError, match="no") as caught:
            await task
        assert caught.value.kind == kind

    run(work)


def test_a_flood_comes_to_the_daemon_a_few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PAUSE_S", 0.0)

    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        tasks = [asyncio.create_task(wire.ask(act(), Done)) for _ in range(2 * WAITING)]
        answered = 0
        while answered < WAITING:
            asked = await other.heard()
            assert len(asked) <= AT_ONCE
            for line in asked:
                other.say(id=line["id"], ok=True, run_id=None)
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
        tasks = [asyncio.create_task(wire.ask(act(), Done)) for _ in range(AT_ONCE + 1)]
        for line in await other.heard():
            other.say(id=line["id"], ok=True, run_id=None)
        await asyncio.gather(*tasks[:-1])
        assert await other.heard() == []
        tasks[-1].cancel()

    run(work)


@pytest.mark.parametrize(("request_", "a_second"), [(act(), 40.0), (AskStatus(), 400.0)])
def test_no_more_is_asked_in_a_second_than_the_unit_bears(request_: Any, a_second: float) -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        loop = asyncio.get_running_loop()
        later, pauses = loop.call_later, []

        def call_later(delay: float, callback: Any, *arguments: Any) -> Any:
            if callback == wire._turns.release:
                pauses.append(delay)
            return later(delay, callback, *arguments)

        loop.call_later = call_later  # type: ignore[method-assign]
        task = asyncio.create_task(wire.ask(request_, Done))
        (asked,) = await other.heard()
        other.say(id=asked["id"], ok=True, run_id=None)
        await task
        (pause_s,) = pauses
        assert wire._turns._value == 3  # one of four turns is still taken
        assert 4 / pause_s <= a_second

    run(work)


def test_a_daemon_that_is_silent_and_one_that_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        monkeypatch.setattr(module, "ANSWER_S", 0.01)
        with pytest.raises(ApiError, match="did not answer") as caught:
            await wire.ask(AskStatus(), Status)
        assert caught.value.status == 503
        monkeypatch.setattr(module, "ANSWER_S", 60.0)
        task = asyncio.create_task(wire.ask(AskStatus(), Status))
        await other.heard()
        other._end.close()
        with pytest.raises(ApiError, match="the daemon ended"):
            await task
        with pytest.raises(ApiError, match="no daemon of this unit runs"):
            await wire.ask(AskStatus(), Status)
        with pytest.raises(ApiError, match="no daemon of this unit runs"):
            await NoDaemon().ask(AskStatus(), Status)

    run(work)


def test_followers_get_the_newest_status_first() -> None:
    async def work() -> None:
        hub = Hub()
        hub.broadcast(encoded({"status": {"n": 1}}))
        hub.broadcast(encoded({"status": {"n": 2}}))
        follower = hub.follow()
        hub.broadcast(encoded({"event": {"n": 3}}))
        hub.broadcast(encoded({"status": {"n": 4}}))
        hub.broadcast(encoded({"missed": 7}))
        lines = [json.loads(await follower.next()) for _ in range(3)]
        assert lines == [{"event": {"n": 3}}, {"missed": 7}, {"status": {"n": 4}}]
        waiting = asyncio.create_task(follower.next())
        await asyncio.sleep(0)
        assert not waiting.done()
        hub.broadcast(encoded({"status": {"n": 5}}))
        assert json.loads(await waiting) == {"status": {"n": 5}}

    asyncio.run(work())


def test_what_ends_light_is_not_counted_and_waits_for_nothing_but_the_same_persons() -> None:
    async def work(wire: Wire, other: Other, said: list[Any]) -> None:
        flood = [asyncio.create_task(wire.ask(act(), Done)) for _ in range(2 * WAITING)]
        assert len(await other.heard()) == AT_ONCE  # and none of them is answered
        mine = [asyncio.create_task(wire.ask(stop("Otto", n), Done)) for n in range(3)]
        others = [asyncio.create_task(wire.ask(stop(f"p{n}"), Done)) for n in range(3)]
        asked = await other.heard()
        assert [(line["who"], line["reason"]) for line in asked] == [
            ("Otto", "0"), ("p0", "0"), ("p1", "0"), ("p2", "0")
        ]  # fmt: skip
        for line in asked:
            other.say(id=line["id"], ok=True, run_id=None)
        await asyncio.gather(mine[0], *others)
        while not (asked := await other.heard()):  # after its pause
            await asyncio.sleep(0.001)
        assert [(line["who"], line["reason"]) for line in asked] == [("Otto", "1")]
        for task in (*flood, *mine[1:]):
            task.cancel()
        await asyncio.gather(*flood, *mine[1:], return_exceptions=True)

    run(work)


def test_only_hold_stop_and_abort_end_what_is_going_on() -> None:
    def on_plate(do: str) -> OnPlate:
        return OnPlate(plate="p", act=PlateAct(do))

    assert all(only_ends(Control(do=do)) for do in ("hold", "stop", "abort"))
    assert [do for do in PlateAct if only_ends(on_plate(do))] == ["hold", "stop", "abort"]
    assert not any(map(only_ends, (act(), AskStatus(), OnAlarm(name="a", act=AlarmAct.RESET))))
