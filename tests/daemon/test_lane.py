"""The lane of what ends light: whatever becomes of the service beside it, a stop gets through."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from plain_client import Client
from small_disks import mounted

from daemon.test_service import asked, run
from platelink.contract.service import lane_of
from platelink.daemon.service import Service

pytestmark = pytest.mark.system


def test_what_ends_light_has_a_process_of_its_own(tmp_path: Path) -> None:
    """Whatever becomes of the service: it stands still, it is busy, it dies. Without the lane the
    service carries the same."""
    asked_of_us: list[str] = []

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        asked_of_us.append(f"{request['do']} {request.get('act', '')}".strip())
        return {"ok": True, "run_id": None}

    def ends(client: Client) -> list[Any]:
        acts = ("hold", "stop", "abort")
        return [*map(client.command, acts), *(client.act("plate-1", act) for act in acts)]

    def all_of_them() -> list[str]:
        told, asked_of_us[:] = asked_of_us[:], []
        return told

    every = ["hold", "stop", "abort", "plate hold", "plate stop", "plate abort"]

    async def work(service: Service) -> None:
        await asked(service, lambda client: client.me())  # both are up
        await asked(service, ends)
        assert all_of_them() == every
        pid = service.status().pid
        os.kill(pid, signal.SIGSTOP)
        try:
            await asked(service, ends)
            assert all_of_them() == every
        finally:
            os.kill(pid, signal.SIGCONT)
        lane = service._lane
        assert lane is not None
        for end in (signal.SIGSTOP, signal.SIGKILL):
            os.kill(lane.status().pid, end)
            await asked(service, lambda client: client.command("stop"))
            assert "stop" in all_of_them()
        assert lane_of(service.settings.socket).stat().st_mode & 0o777 == 0o660

    run(tmp_path, work, handle)
    assert not lane_of(tmp_path / "journal.socket").exists()


def test_the_lane_carries_nothing_else_and_asks_who_it_is(tmp_path: Path) -> None:
    def handle(request: dict[str, Any]) -> dict[str, Any]:
        return {"ok": True, "run_id": None}

    async def work(service: Service) -> None:
        def ask(client: httpx.Client) -> None:
            local = {"platelink-local": "1"}

            def post(path: str, headers: Any, body: Any = None) -> int:
                return client.post(f"/v1{path}", json=body or {}, headers=headers).status_code

            assert post("/exposure/hold", local) == 200
            assert post("/exposure/hold", {}) == 401
            assert post("/exposure/hold", {"authorization": "Bearer x"}) == 401
            assert post("/exposure/hold", {"cookie": "platelink_session=x"}) == 401
            assert post("/exposure/hold", {**local, "origin": "http://evil.example"}) == 403
            assert post("/exposure/hold", {**local, "host": "evil.example"}) == 421
            assert post("/exposure/hold", local, {"resaon": "x"}) == 422
            for path in ("/exposure/restart", "/plates/p/begin", "/expose", "/sign-in", "/plates"):
                assert post(path, local) == 404, path
            assert client.get("/v1/status", headers=local).status_code == 404
            assert client.get("/v1/exposure/hold", headers=local).status_code == 405

        path = lane_of(service.settings.socket)
        await asyncio.to_thread(answers_soon, path)
        with httpx.Client(
            transport=httpx.HTTPTransport(uds=str(path)), base_url="http://platelink"
        ) as client:
            await asyncio.to_thread(ask, client)

    run(tmp_path, work, handle)


def answers_soon(path: Path) -> None:
    with httpx.Client(transport=httpx.HTTPTransport(uds=str(path))) as client:
        client.get("http://platelink/v1/light", timeout=30.0)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MiB."""
    with mounted(tmp_path, 4) as place:
        yield place


def test_on_a_full_disk_who_has_signed_in_still_stops(small_disk: Path) -> None:
    """Also by processes that had to be started anew there."""
    asked_of_us: list[Any] = []

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        asked_of_us.append((request["do"], request.get("who")))
        return {"ok": True, "run_id": None}

    async def work(service: Service) -> None:
        def sign_in(client: Client) -> str:
            client.add_first("Ada Invented", "a lead's long secret")
            return str(client.sign_in("Ada Invented", "a lead's long secret")["token"])

        def stop() -> None:
            with Client(service.settings.socket, token) as client:
                client.command("stop")

        token = await asked(service, sign_in)
        with (small_disk / "filler").open("wb", buffering=0) as file, suppress(OSError):
            while True:
                file.write(b"x" * 4096)
        await asyncio.to_thread(stop)
        assert service._lane is not None
        for one in (service, service._lane):
            os.kill(one.status().pid, signal.SIGKILL)
        await asyncio.to_thread(stop)
        stops = [entry for entry in asked_of_us if entry[0] == "stop"]
        # Once more where the lane was slow to come: ending twice does no harm.
        assert stops in ([("stop", "Ada Invented")] * 2, [("stop", "Ada Invented")] * 3)

    run(small_disk, work, handle)
