"""The service as the process it is: by socket and port, with live clients that hang and vanish."""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest
from damage.campaign import CONFIGURATION
from plain_client import Client
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect, unix_connect
from whole_documents import STATUS

from api.api_shop import LEAD, SECRETS

pytestmark = pytest.mark.system


class Process:
    """The service with its wire in the test's hand, which plays the daemon."""

    def __init__(self, directory: Path) -> None:
        self.socket = directory / "journal.socket"
        unix = socket.socket(socket.AF_UNIX)
        unix.bind(str(self.socket))
        unix.listen(128)
        tcp = socket.create_server(("127.0.0.1", 0))
        self.port = tcp.getsockname()[1]
        self.wire, theirs = socket.socketpair()
        self.page = directory / "page.socket"
        by_page = socket.socket(socket.AF_UNIX)
        by_page.bind(str(self.page))
        by_page.listen(128)
        fds = [unix.fileno(), tcp.fileno(), by_page.fileno()]
        stores = ("journal", "recipes", "people", "calibrations", "experiments")
        settings = {name: str(directory / f"{name}.sqlite") for name in stores}
        settings |= {
            "unit": "unit-1",
            "wire": theirs.fileno(),
            "listen": fds,
            "page_socket": str(self.page),
        }
        self.child = subprocess.Popen(
            [sys.executable, "-m", "platelink.api"], stdin=subprocess.PIPE, stderr=subprocess.PIPE,
            pass_fds=[theirs.fileno(), *fds],
        )  # fmt: skip
        self.child.stdin.write(json.dumps(settings).encode())
        self.child.stdin.close()
        for end in (unix, tcp, by_page, theirs):
            end.close()
        self.rest = b""

    def tell(self, **line: Any) -> None:
        self.wire.sendall(json.dumps(line).encode() + b"\n")

    def heard(self, limit_s: float = 20.0) -> dict[str, Any]:
        """The next request."""
        while b"\n" not in self.rest:
            assert select.select([self.wire], [], [], limit_s)[0], "nothing was asked"
            self.rest += self.wire.recv(65536)
        line, _, self.rest = self.rest.partition(b"\n")
        return json.loads(line)

    def end(self) -> str:
        """Hang up; what it said on standard error."""
        self.wire.close()
        error = self.child.stderr.read().decode()
        assert self.child.wait(timeout=15.0) == 0
        self.child.stderr.close()
        return error


@pytest.fixture
def process(tmp_path: Path) -> Iterator[Process]:
    this = Process(tmp_path)
    yield this
    if this.child.poll() is None:
        assert this.end() == ""


def until(condition: Callable[[], Any], what: str, limit_s: float = 20.0) -> None:
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.02)


def test_the_kernel_says_who_is_at_the_socket_and_nobody_at_the_port_is(process: Process) -> None:
    with Client(process.socket) as client:
        me = client.me()
        assert me["local"] and me["role"] == "lead"
        client.add_first(LEAD, SECRETS[LEAD])
    url = f"http://127.0.0.1:{process.port}/v1"
    local = {"platelink-local": "1"}
    assert httpx.get(f"{url}/status", headers=local).status_code == 401
    forwarded = {**local, "x-forwarded-for": "127.0.0.1", "forwarded": "for=unix"}
    assert httpx.get(f"{url}/status", headers=forwarded).status_code == 401
    answer = httpx.post(f"{url}/sign-in", json={"name": LEAD, "secret": SECRETS[LEAD]})
    token = answer.json()["token"]
    bearer = {"authorization": f"Bearer {token}"}
    assert httpx.get(f"{url}/me", headers=bearer).json()["role"] == "lead"
    assert "server" not in answer.headers
    wrong = httpx.get(f"{url}/me", headers={**bearer, "host": "evil.example"})
    assert wrong.status_code == 421


def test_nobody_is_local_by_the_socket_of_the_page(process: Process) -> None:
    """Not while nobody is entered, and not with whatever the page's process may say."""
    with httpx.Client(transport=httpx.HTTPTransport(uds=str(process.page))) as page:
        for headers in ({"platelink-local": "1"}, {"platelink-local": "1", "host": "platelink"}):
            for path in ("status", "me"):
                answer = page.get(f"http://localhost/v1/{path}", headers=headers)
                assert answer.status_code == 401
            asked = {"name": LEAD, "secret": SECRETS[LEAD]}
            first = page.post("http://localhost/v1/people/first", json=asked, headers=headers)
            assert first.status_code == 403
    with Client(process.socket) as client:
        assert client.me()["role"] == "lead"


def test_a_live_socket_needs_a_sign_in_and_ends_with_it(process: Process) -> None:
    with Client(process.socket) as client:
        client.add_first(LEAD, SECRETS[LEAD])
        client.sign_in(LEAD, SECRETS[LEAD])
        url = f"ws://127.0.0.1:{process.port}/v1/live"
        for headers in ({}, {"authorization": "Bearer x"}, {"platelink-local": "1"}):
            with (
                pytest.raises(InvalidStatus) as refused,
                connect(url, additional_headers=headers, proxy=None),
            ):
                pass
            assert refused.value.response.status_code == 401
        process.tell(status={"n": 1})
        token = client._headers["authorization"]
        page = {"authorization": token, "origin": "http://evil.example"}
        with (
            pytest.raises(InvalidStatus) as refused,
            connect(url, additional_headers=page, proxy=None),
        ):
            pass
        assert refused.value.response.status_code == 403
        with connect(url, additional_headers={"authorization": token}, proxy=None) as live:
            assert json.loads(live.recv(10.0)) == {"status": {"n": 1}}
            client.sign_out()
            with pytest.raises(ConnectionClosed) as closed:
                while True:
                    live.recv(30.0)
            assert closed.value.rcvd is not None and closed.value.rcvd.code == 4401


def test_clients_that_do_not_read_keep_no_line_from_others(process: Process) -> None:
    local = {"platelink-local": "1"}
    with ExitStack() as stack:
        for _ in range(5):  # never read from, with little room in their socket
            stuck = socket.socket(socket.AF_UNIX)
            stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            stuck.connect(str(process.socket))
            stack.enter_context(stuck)
            stack.enter_context(
                unix_connect(uri="ws://platelink/v1/live", sock=stuck, max_queue=1,
                             additional_headers=local, compression=None, close_timeout=0.1)
            )  # fmt: skip
        good = stack.enter_context(
            unix_connect(str(process.socket), "ws://platelink/v1/live", additional_headers=local)
        )
        text = "x" * 10_000
        for number in range(400):
            process.tell(event={"n": number, "text": text})
            assert json.loads(good.recv(10.0))["event"]["n"] == number
        with Client(process.socket) as client:
            assert client.me()["local"]


def test_clients_that_vanish_are_forgotten(process: Process) -> None:
    with Client(process.socket) as client:
        client.me()
    open_before = len(os.listdir(f"/proc/{process.child.pid}/fd"))
    for _ in range(20):
        half = socket.socket(socket.AF_UNIX)
        half.connect(str(process.socket))
        half.sendall(b"GET /v1/status HTTP/1.1\r\nHost: plat")
        half.close()
        with unix_connect(
            str(process.socket), "ws://platelink/v1/live",
            additional_headers={"platelink-local": "1"},
        ) as live:  # fmt: skip
            live.socket.close()
        process.tell(status={"n": 1})
    until(
        lambda: len(os.listdir(f"/proc/{process.child.pid}/fd")) <= open_before,
        "every socket is closed",
    )


def test_a_daemon_that_does_not_answer(process: Process) -> None:
    with Client(process.socket) as client:
        answer = client._http.post("/v1/exposure/hold", json={})
        assert answer.status_code == 503
        assert "did not answer within 5 s" in answer.json()["error"]
        asked = process.heard()
        process.tell(id=asked["id"], ok=True)  # too late, and for nobody
        process.tell(status=STATUS)
        until(lambda: client._http.get("/v1/status").status_code == 200, "status")


def test_it_ends_when_the_wire_does_and_says_nothing(process: Process) -> None:
    with unix_connect(
        str(process.socket), "ws://platelink/v1/live", additional_headers={"platelink-local": "1"}
    ) as live:
        began = time.monotonic()
        assert process.end() == ""
        assert time.monotonic() - began < 5.0
        with pytest.raises(ConnectionClosed):
            live.recv(5.0)


def test_it_does_not_end_at_the_keyboard(process: Process) -> None:
    with Client(process.socket) as client:
        client.me()
        os.kill(process.child.pid, 2)
        assert client.me()["local"]


LOCAL = {"platelink-local": "1"}


def test_a_crowd_that_says_nothing_takes_no_seat_from_who_asks(process: Process) -> None:
    """By the port, by the socket, and by each of them for the other."""
    with ExitStack() as stack:
        for number in range(2 * 128):
            idle = stack.enter_context(socket.create_connection(("127.0.0.1", process.port)))
            idle.sendall((b"", b"GET /v1/sta")[number % 2])
        for _ in range(320 + 80):
            idle = stack.enter_context(socket.socket(socket.AF_UNIX))
            idle.connect(str(process.socket))
        with Client(process.socket) as client:
            assert client.me()["local"]
        light = httpx.get(f"http://127.0.0.1:{process.port}/v1/light")
        assert light.status_code == 200
        assert httpx.post(f"http://127.0.0.1:{process.port}/v1/exposure/stop").status_code == 401


def test_many_who_read_turn_no_hold_away(process: Process) -> None:
    """The daemon answers no read: all of them wait, and a hold goes by."""
    readers = 48
    with ExitStack() as stack:
        for _ in range(readers):
            reader = stack.enter_context(socket.socket(socket.AF_UNIX))
            reader.connect(str(process.socket))
            reader.sendall(
                b"GET /v1/plates HTTP/1.1\r\nhost: platelink\r\nplatelink-local: 1\r\n\r\n"
            )
        assert process.heard()["do"] == "plates"
        for _ in range(5):
            holder = stack.enter_context(Client(process.socket))
            with ThreadPoolExecutor(1) as aside:
                hold = aside.submit(holder._http.post, "/v1/exposure/hold", json={})
                while (asked := process.heard())["do"] == "plates":
                    pass
                process.tell(id=asked["id"], ok=True, run_id=None)
                assert hold.result(20.0).status_code == 200


def test_one_sign_in_has_some_live_lines_and_a_program_of_this_computer_more(
    process: Process,
) -> None:
    with Client(process.socket) as client, ExitStack() as stack:
        client.add_first(LEAD, SECRETS[LEAD])
        bearer = {"authorization": f"Bearer {client.sign_in(LEAD, SECRETS[LEAD])['token']}"}
        for headers, most in ((bearer, 5), (LOCAL, 20)):
            lines = []
            for _ in range(most):
                lines.append(follow(process, headers))
                stack.enter_context(lines[-1])
            with pytest.raises(InvalidStatus) as refused, follow(process, headers):
                pass
            assert refused.value.response.status_code == 429
            assert b"close one of its views" in refused.value.response.body
            lines[0].close()
            process.tell(status={"n": 1})

            def again(headers: dict[str, str] = headers) -> bool:
                try:
                    stack.enter_context(follow(process, headers))
                except InvalidStatus:
                    return False
                return True

            until(again, "a line that ended makes room")


def follow(process: Process, headers: dict[str, str]) -> Any:
    return unix_connect(
        str(process.socket), "ws://platelink/v1/live", additional_headers=headers, compression=None
    )


def test_the_daemon_gives_the_page_a_socket_of_its_own_and_a_lane(tmp_path: Path) -> None:
    """The whole way: daemon, service, lane; over both of them nobody is local."""
    import grp

    group = grp.getgrgid(os.getgid()).gr_name
    config = tmp_path / "platelink.toml"
    config.write_text(
        CONFIGURATION.replace("[display]", f'[service]\npage_socket = "run/page.socket"\n'
                              f'page_group = "{group}"\n[display]')
    )  # fmt: skip
    daemon = subprocess.Popen(
        [sys.executable, "-m", "platelink", "--config", str(config), "serve"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        page, lane = (tmp_path / "run" / name for name in ("page.socket", "page.stop.socket"))
        until(lambda: page.exists() and lane.exists(), "no sockets")
        assert page.stat().st_mode & 0o777 == 0o660
        local = {"platelink-local": "1"}
        for socket_, path in ((page, "exposure/hold"), (lane, "exposure/hold"), (page, "expose")):
            with httpx.Client(transport=httpx.HTTPTransport(uds=str(socket_)), timeout=30) as asks:
                answer = asks.post(f"http://localhost/v1/{path}", json={}, headers=local)
                assert answer.status_code == 401, (socket_, answer.text)
        with Client(tmp_path / "journal.socket") as client:
            assert client.me()["role"] == "lead"
    finally:
        daemon.terminate()
        daemon.communicate(timeout=30)
    assert not page.exists() and not lane.exists()
