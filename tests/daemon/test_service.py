"""The service as a child of the daemon: it comes, it is killed, it hangs, it goes."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import time
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plain_client import Client
from whole_documents import STATUS

from daemon.daemon_shop import config_for
from platelink.client import ClientError, NoService
from platelink.contract.unit import (
    EndedLine,
    EventLine,
    RefusedLine,
    Status,
    StatusLine,
    UnitEvent,
)
from platelink.daemon import service as module
from platelink.daemon.service import Service, SocketError
from platelink.daemon.setup import service_settings

pytestmark = pytest.mark.system


def told_status(number: int = 0, text: str = "") -> StatusLine:
    numbered = STATUS | {"run_id": f"run-{number}", "problem": text}
    return StatusLine(status=Status.model_validate(numbered))


def event(name: str, text: str = "") -> EventLine:
    at_utc = "2026-06-01T08:00:00.000+00:00"
    return EventLine(event=UnitEvent(at_utc=at_utc, run_id=None, name=name, text=text, data={}))


ENDED = EndedLine(ended="run-1", state="complete", reason="done")


def run(
    directory: Path,
    work: Callable[[Service], Coroutine[Any, Any, None]],
    handle: Callable[[dict[str, Any]], dict[str, Any]] = lambda request: {"ok": True, **request},
    port: int | None = None,
) -> None:
    """A service of a daemon that this test stands for, and no fault in its loop."""
    faults: list[str] = []
    more = "" if port is None else f"[service]\nport = {port}\n"

    async def whole() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: faults.append(str(context)))
        service = Service(service_settings(config_for(directory, more)), handle)
        await service.start()
        try:
            await asyncio.wait_for(work(service), 60.0)
        finally:
            pid = service.status().pid
            await service.stop()
            assert pid is None or not alive(pid)
            assert not service.settings.socket.exists()

    asyncio.run(whole())
    assert faults == []


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


async def asked(service: Service, what: Callable[[Client], Any]) -> Any:
    def ask() -> Any:
        with Client(service.settings.socket) as client:
            return what(client)

    return await asyncio.to_thread(ask)


def test_clients_ask_and_follow(tmp_path: Path) -> None:
    asked_of_us: list[dict[str, Any]] = []

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        asked_of_us.append(request)
        return {"ok": True, **(STATUS if request["do"] == "status" else {"run_id": "run-1"})}

    async def work(service: Service) -> None:
        status = await asked(service, lambda client: client.status())
        assert (status["unit"], status["age_s"]) == ("unit-1", 0.0)
        service.tell(told_status(1))

        def follow(client: Client) -> list[Any]:
            with client.live() as lines:
                lively = iter(lines)
                first = next(lively)
                loop.call_soon_threadsafe(service.tell, event("µ"))
                loop.call_soon_threadsafe(service.tell, ENDED)
                return [first, next(lively), next(lively)]

        loop = asyncio.get_running_loop()
        assert await asked(service, follow) == [
            line.model_dump(mode="json") for line in (told_status(1), event("µ"), ENDED)
        ]
        assert await asked(service, lambda c: c.expose({"dose": "1 mJ/cm2"})) == "run-1"
        assert await asked(service, lambda c: c.status()["age_s"]) < 30.0
        told = await asked(service, lambda c: c.me())
        assert asked_of_us[-1]["who"] == told["name"] and asked_of_us[-1]["role"] == "lead"
        assert service.settings.socket.stat().st_mode & 0o777 == 0o660

    run(tmp_path, work, handle)


def test_a_refusal_reaches_the_client(tmp_path: Path) -> None:
    async def work(service: Service) -> None:
        with pytest.raises(ClientError, match="not now") as refused:
            await asked(service, lambda client: client.command("hold"))
        assert refused.value.kind == "refused"

    run(tmp_path, work, lambda request: {"ok": False, "error": "not now", "kind": "refused"})


def test_a_service_that_is_killed_is_started_again_on_the_same_sockets(tmp_path: Path) -> None:
    async def work(service: Service) -> None:
        port = service.status().port
        assert 1024 <= port <= 65535
        for _ in range(2):
            first = service.status().pid
            await asked(service, lambda client: client.me())
            os.kill(first, signal.SIGKILL)
            # A client only waits: the socket is the daemon's.
            assert await asked(service, lambda client: client.me()["local"]) is True
            assert service.status().pid != first and service.status().port == port
            assert not alive(first)
        assert service.status().problem == ""

    run(tmp_path, work, port=0)


def test_while_it_cannot_be_started_the_status_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work(service: Service) -> None:
        monkeypatch.setattr("sys.executable", "/bin/false")
        os.kill(service.status().pid, signal.SIGKILL)
        end = time.monotonic() + 20.0
        seen: set[str] = set()
        while len(seen) < 4 and time.monotonic() < end:
            seen.add(service.status().problem)
            await asyncio.sleep(0.02)
        told = [text for text in seen if text]
        assert told and all("the service ended" in text for text in told)
        pauses = {text.rsplit(" in ", 1)[1] for text in told}
        assert len(pauses) > 1, pauses  # each pause longer than the one before

    run(tmp_path, work)


def test_a_service_that_hangs_does_not_hold_up_the_daemon(tmp_path: Path) -> None:
    async def work(service: Service) -> None:
        await asked(service, lambda client: client.me())
        os.kill(service.status().pid, signal.SIGSTOP)
        began = time.monotonic()
        for number in range(20_000):
            service.tell(told_status(number, "x" * 200))
            service.tell(event(f"x {number}"))
        assert time.monotonic() - began < 10.0
        os.kill(service.status().pid, signal.SIGCONT)
        status = await asked(service, lambda client: client.status())
        assert status["unit"] == "unit-1"
        os.kill(service.status().pid, signal.SIGSTOP)  # and is ended all the same

    run(tmp_path, work)


def test_a_service_that_hangs_for_good_is_started_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "HUNG_S", 0.3)

    async def work(service: Service) -> None:
        await asked(service, lambda client: client.me())
        first = service.status().pid
        os.kill(first, signal.SIGSTOP)
        while service.status().pid == first:
            service.tell(event("x", "x" * 10_000))
            await asyncio.sleep(0.001)
        assert (await asked(service, lambda client: client.me()))["local"]
        assert not alive(first)

    run(tmp_path, work)


def test_a_line_that_is_no_json_is_a_fault_and_not_the_end(tmp_path: Path) -> None:
    async def work() -> None:
        faults: list[str] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, c: faults.append(c["message"]))
        service = Service(service_settings(config_for(tmp_path)), lambda request: {"ok": True})
        await service.start()
        service.tell(RefusedLine.model_construct(refused=object()))
        service.tell(told_status(1))
        assert faults == ["a line is no JSON"]

        def first(client: Client) -> Any:
            with client.live() as lines:
                return next(iter(lines))

        assert await asked(service, first) == told_status(1).model_dump(mode="json")
        await service.stop()

    asyncio.run(work())


def test_the_service_ends_with_a_daemon_that_is_killed(tmp_path: Path) -> None:
    """No orphan stays: the wire closes with the daemon, however that ends."""
    program = f"""
import asyncio, sys
sys.path.insert(0, {str(Path(__file__).parents[1])!r})
from dataclasses import replace
from pathlib import Path
from daemon.daemon_shop import config_for
from platelink.contract.unit import (
    EndedLine,
    EventLine,
    RefusedLine,
    Status,
    StatusLine,
    UnitEvent,
)
from platelink.daemon.service import Service
from platelink.daemon.setup import service_settings
async def serve():
    config = config_for(Path({str(tmp_path)!r}))
    service = Service(service_settings(config), lambda request: {{"ok": True}})
    await service.start()
    print(service.status().pid, flush=True)
    await asyncio.sleep(600)
asyncio.run(serve())
"""

    async def work() -> None:
        import sys

        child = await asyncio.create_subprocess_exec(
            sys.executable, "-c", program, stdout=asyncio.subprocess.PIPE
        )
        assert child.stdout is not None
        pid = int(await child.stdout.readline())
        with Client(tmp_path / "journal.socket") as client:
            await asyncio.to_thread(client.me)
        child.kill()
        await child.wait()
        end = time.monotonic() + 10.0
        while running(pid):
            assert time.monotonic() < end, "the service outlives its daemon"
            await asyncio.sleep(0.02)
        with pytest.raises(NoService, match="no daemon answers"):
            Client(tmp_path / "journal.socket").status()

    asyncio.run(work())
    # What is left of its socket is in nobody's way.
    run(tmp_path, lambda service: asked(service, lambda client: client.me()))


def running(pid: int) -> bool:
    """Also false for what only waits to be reaped by whoever adopted it."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_a_port_in_use_is_a_problem_and_not_the_end(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

        async def work(service: Service) -> None:
            status = service.status()
            assert status.port is None
            assert f"port {port} cannot be used" in status.problem
            assert (await asked(service, lambda client: client.me()))["local"]

        run(tmp_path, work, port=port)


@pytest.mark.parametrize("name", ["x" * 120, "file/journal.socket"])
def test_a_socket_that_cannot_be_made_says_why(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("")

    async def work() -> None:
        with pytest.raises(SocketError, match=r"the socket .* cannot be made"):
            settings = replace(service_settings(config_for(tmp_path)), socket=tmp_path / name)
            await Service(settings, lambda request: {}).start()

    asyncio.run(work())


def test_settings_are_shown_to_nobody(tmp_path: Path) -> None:
    async def work(service: Service) -> None:
        command = Path(f"/proc/{service.status().pid}/cmdline").read_bytes()
        assert b"journal" not in command
        assert os.getpriority(os.PRIO_PROCESS, service.status().pid) >= os.getpriority(
            os.PRIO_PROCESS, 0
        )
        await asked(service, lambda client: client.me())
        assert os.getpriority(os.PRIO_PROCESS, service.status().pid) == min(
            19, os.getpriority(os.PRIO_PROCESS, 0) + 5
        )

    run(tmp_path, work)


def test_where_memory_runs_out_the_service_goes_before_the_daemon(tmp_path: Path) -> None:
    async def work(service: Service) -> None:
        await asked(service, lambda client: client.me())

        def score(pid: object) -> int:
            return int(Path(f"/proc/{pid}/oom_score_adj").read_text())

        pid = service.status().pid
        assert score(pid) > score("self")
        limits = Path(f"/proc/{pid}/limits").read_text()
        (data,) = (line.split()[3] for line in limits.splitlines() if "data size" in line)
        assert int(data) <= 1 << 30

    run(tmp_path, work)
