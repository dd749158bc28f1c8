"""The wire to the service: requests one at a time, and a service that does not read."""

from __future__ import annotations

import asyncio
import json
import socket
from collections import Counter
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.backlog import Backlog, encoded
from platelink.contract.wire import refusal
from platelink.daemon.wire import AHEAD, LINE_BYTES, Wire

# --- what waits -----------------------------------------------------------------------------


def drained(backlog: Backlog) -> list[dict[str, Any]]:
    lines = []
    while (line := backlog.next()) is not None:
        lines.append(json.loads(line))
    return lines


KINDS = st.lists(st.sampled_from(["answer", "event", "status", "next"]), max_size=80)


@given(KINDS, st.integers(1, 6))
def test_what_waits_is_told_in_order_and_nothing_is_dropped_in_silence(
    steps: list[str], most: int
) -> None:
    backlog = Backlog(events=most)
    put: Counter[str] = Counter()
    told: list[dict[str, Any]] = []
    for step in steps:
        if step == "next":
            line = backlog.next()
            told += [json.loads(line)] if line is not None else []
        else:
            getattr(backlog, step)(encoded({step: put[step]}))
            put[step] += 1
    told += drained(backlog)
    assert len(backlog) == 0
    numbers = {kind: [line[kind] for line in told if kind in line] for kind in put}
    assert numbers.get("answer", []) == list(range(put["answer"]))
    assert numbers.get("event", []) == sorted(set(numbers.get("event", [])))
    missed = sum(line["missed"] for line in told if "missed" in line)
    assert len(numbers.get("event", [])) + missed == put["event"]
    if put["status"]:
        assert numbers["status"][-1] == put["status"] - 1


def test_the_oldest_events_go_and_only_they() -> None:
    backlog = Backlog(events=2)
    for number in range(5):
        backlog.event(encoded({"event": number}))
        backlog.answer(encoded({"id": number}))
        backlog.status(encoded({"status": number}))
    assert drained(backlog) == [
        {"missed": 3}, {"id": 0}, {"id": 1}, {"id": 2}, {"event": 3}, {"id": 3}, {"event": 4},
        {"id": 4}, {"status": 4},
    ]  # fmt: skip


def test_what_is_no_json_is_a_fault_of_ours() -> None:
    with pytest.raises(ValueError):
        encoded({"x": float("nan")})


# --- the wire -------------------------------------------------------------------------------

Handle = Callable[[dict[str, Any]], dict[str, Any]]


def run(
    work: Callable[[Wire, socket.socket], Coroutine[Any, Any, None]],
    handle: Handle = lambda request: {"ok": True, "heard": request.get("do")},
    faults_told: int = 0,
) -> None:
    """A wire whose other end the test holds, and no fault that asyncio would only log."""
    faults: list[str] = []

    async def whole() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: faults.append(str(context)))
        ours, theirs = socket.socketpair()
        theirs.setblocking(False)
        lost: list[Wire] = []
        wire = Wire(handle, lost.append)
        await loop.create_connection(lambda: wire, sock=ours)
        try:
            await asyncio.wait_for(work(wire, theirs), 20.0)
        finally:
            wire.finish()
            theirs.close()
            await asyncio.sleep(0.01)
            assert lost == [wire]

    asyncio.run(whole())
    assert len(faults) == faults_told, faults


async def lines_of(theirs: socket.socket, count: int) -> list[dict[str, Any]]:
    data = b""
    while data.count(b"\n") < count:
        data += await asyncio.get_running_loop().sock_recv(theirs, 1 << 16)
    return [json.loads(line) for line in data.splitlines()]


def test_requests_are_answered_by_their_number() -> None:
    async def work(wire: Wire, theirs: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        await loop.sock_sendall(theirs, b'{"id": 7, "do": "status"}\n{"id": 8, "do": "h')
        assert await lines_of(theirs, 1) == [{"id": 7, "ok": True, "heard": "status"}]
        await loop.sock_sendall(theirs, b'old"}\n')
        assert await lines_of(theirs, 1) == [{"id": 8, "ok": True, "heard": "hold"}]

    run(work)


@pytest.mark.parametrize(
    "line", [b"{", b"[1]", b'"x"', b"5", b"", b"\xff\xfe", b"[" * 60_000, b"1" * 5000]
)
def test_what_is_no_request_is_refused_and_the_next_one_served(line: bytes) -> None:
    async def work(wire: Wire, theirs: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        await loop.sock_sendall(theirs, line + b'\n{"id": 1, "do": "x"}\n')
        bad, good = await lines_of(theirs, 2)
        assert bad["ok"] is False and "not understood" in bad["error"]
        assert good == {"id": 1, "ok": True, "heard": "x"}

    run(work)


def test_a_refusal_has_a_kind_and_a_fault_is_told_as_one() -> None:
    def handle(request: dict[str, Any]) -> dict[str, Any]:
        if request["do"] == "raise":
            raise KeyError("job")
        if request["do"] == "nan":
            return {"ok": True, "value": float("nan")}
        return refusal("no")

    async def work(wire: Wire, theirs: socket.socket) -> None:
        for number, do in enumerate(("raise", "nan", "x")):
            text = json.dumps({"id": number, "do": do}).encode() + b"\n"
            await asyncio.get_running_loop().sock_sendall(theirs, text)
        told = await lines_of(theirs, 3)
        assert [(line["id"], line["kind"]) for line in told] == [
            (0, "fault"), (1, "fault"), (2, "refused"),
        ]  # fmt: skip
        assert "fault in the daemon: KeyError" in told[0]["error"]

    run(work, handle, faults_told=2)


def test_a_flood_of_requests_leaves_the_loop_its_turns() -> None:
    """Between two requests everything else that is ready has its turn."""
    turns: list[str] = []

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        turns.append("request")
        return {"ok": True}

    async def work(wire: Wire, theirs: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        flood = b'{"id": 1, "do": "hold"}\n' * 400

        def tick() -> None:
            turns.append("device")
            if turns.count("request") < 400:
                loop.call_soon(tick)

        loop.call_soon(tick)
        await loop.sock_sendall(theirs, flood)
        await lines_of(theirs, 400)
        longest = max(map(len, "".join(t[0] for t in turns).split("d")))
        assert longest <= 1, turns

    run(work, handle)


def test_a_service_that_floods_is_not_read_on() -> None:
    handled: list[int] = []

    async def work(wire: Wire, theirs: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        line = b'{"id": 1, "do": "hold"}\n'
        sent = 0
        for _ in range(100):
            try:
                sent += theirs.send(line * 4000)
            except BlockingIOError:
                await asyncio.sleep(0)
            assert len(wire._requests) <= AHEAD + 2 * (1 << 18) // len(line)
        await loop.sock_sendall(theirs, line[sent % len(line) :] if sent % len(line) else b"")

    run(work, lambda request: handled.append(1) or {"ok": True})  # type: ignore[func-returns-value]


def test_a_request_without_end_ends_the_wire() -> None:
    async def work(wire: Wire, theirs: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        with pytest.raises(ConnectionError):
            for _ in range(2 * LINE_BYTES // 1000):
                await loop.sock_sendall(theirs, b"x" * 1000)

    run(work)


def test_a_service_that_does_not_read_keeps_nobody_waiting() -> None:
    """Stopped for ten minutes of a lively unit, then it reads on."""

    async def work(wire: Wire, theirs: socket.socket) -> None:
        theirs.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        loop = asyncio.get_running_loop()
        wire.tell("event", encoded({"event": "before"}))
        for number in range(6000):
            wire.tell("status", encoded({"status": {"n": number, "text": "x" * 500}}))
            if number % 5 == 0:
                wire.tell("event", encoded({"event": number, "text": "y" * 500}))
        assert 0.0 < wire.unread_s(loop.time() + 5.0) - 5.0 < 20.0
        waits = sum(len(line) for _, line in wire._backlog._waiting)
        assert waits < 600_000 and len(wire._backlog) <= 502
        await loop.sock_sendall(theirs, b'{"id": 1, "do": "hold"}\n')
        lines: list[dict[str, Any]] = []
        while not any(line.get("status", {}).get("n") == 5999 for line in lines):
            lines += await read_some(theirs)
        events = [line["event"] for line in lines if "event" in line]
        missed = sum(line["missed"] for line in lines if "missed" in line)
        assert events[0] == "before" and events[-1] == 5995
        assert len(events) + missed == 1 + 1200 and missed > 0
        assert any(line.get("id") == 1 and line["ok"] for line in lines)
        assert wire.unread_s(loop.time() + 5.0) == 0.0

    rest = b""

    async def read_some(theirs: socket.socket) -> list[dict[str, Any]]:
        nonlocal rest
        *whole, rest = (rest + await asyncio.get_running_loop().sock_recv(theirs, 65536)).split(
            b"\n"
        )
        return [json.loads(line) for line in whole]

    run(work)
