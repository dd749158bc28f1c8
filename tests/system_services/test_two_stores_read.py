"""Two real stores read as one through the shipped haproxy.cfg and vmauth.yml; each is killed."""

from __future__ import annotations

import base64
import json
import re
import shutil
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from platelink.publish.services import Service, StoreService

ROOT = Path(__file__).parents[2]
SCALE = (ROOT / "docs/scale.md").read_text("utf-8")
SITES = ("invented-shop", "other-shop")
ALL = "sum(count_over_time(platelink_sample[50y]))"
POINTS = 100
LIMIT_S = 45.0


class Balancer(Service):
    """haproxy on the shipped file; only addresses, user and log are others."""

    program = "haproxy"
    package = "haproxy"

    def __init__(self, directory: Path, stores: list[StoreService]) -> None:
        super().__init__(directory)
        self.first_port, self.second_port = (store.port for store in stores)

    def _arguments(self) -> list[str]:
        text = (ROOT / "deploy/haproxy.cfg").read_text("utf-8")
        text = re.sub(r"^  (user|group|log) .*\n", "", text, flags=re.M)
        for old, port in (
            ("127.0.0.1:8426", self.port),
            ("192.0.2.21:8428", self.first_port),
            ("192.0.2.22:8428", self.second_port),
        ):
            assert text.count(old) == 1
            text = text.replace(old, f"127.0.0.1:{port}")
        path = self.directory / "haproxy.cfg"
        path.write_text(text, "utf-8")
        return ["-db", "-f", str(path)]

    def _answers(self) -> bool:
        return True

    def log(self) -> str:
        return self.log_path.read_text("utf-8")


class Front(Service):
    """vmauth on the shipped file, over TLS."""

    program = "vmauth"
    package = "victoria-metrics"

    def __init__(self, directory: Path, balancer: Balancer) -> None:
        super().__init__(directory)
        self._balancer = balancer

    def _arguments(self) -> list[str]:
        text = (ROOT / "deploy/vmauth.yml").read_text("utf-8")
        for old, new in (
            ("127.0.0.1:8426", f"127.0.0.1:{self._balancer.port}"),
            ("PASSWORD OF THE READER", "reader-password"),
            ("PASSWORD OF THE SITE", "site-password"),
            ("SITE", SITES[0]),
        ):
            assert old in text
            text = text.replace(old, new)
        path = self.directory / "vmauth.yml"
        path.write_text(text, "utf-8")
        own, key = self.directory / "own.crt", self.directory / "own.key"
        if not own.exists():
            subprocess.run(
                ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
                 "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1", "-addext",
                 "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", own],
                check=True, capture_output=True,
            )  # fmt: skip
        unit = (ROOT / "deploy/vmauth.service").read_text("utf-8")
        (start,) = re.findall(r"^ExecStart=/usr/bin/vmauth (.*)$", unit, re.M)
        for old, new in (
            ("/etc/platelink/vmauth.yml", str(path)),
            ("127.0.0.1:8427", f"127.0.0.1:{self.port}"),
            ("%b", "number-of-this-start"),
        ):
            assert old in start
            start = start.replace(old, new)
        return [*start.split(), "-tls", f"-tlsCertFile={own}", f"-tlsKeyFile={key}"]

    def _answers(self) -> bool:
        return True


pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        any(one.find() is None for one in (Balancer, Front, StoreService)),
        reason="needs: apt-get install haproxy victoria-metrics",
    ),
]


class Pair:
    """Two stores with the same points but for one, by which a test sees who has answered."""

    def __init__(self, folder: Path) -> None:
        self.stores = [StoreService(folder / f"store-{n}") for n in (1, 2)]
        self.balancer = Balancer(folder / "balancer", self.stores)
        self.front = Front(folder / "front", self.balancer)

    def start(self) -> None:
        for store in self.stores:
            store.start()
        for number in (1, 2):
            self.fill(number, POINTS)
            self.mark(number)
            store = self.stores[number - 1]
            store.stop()  # in order, so that all of it is on the disk before anything is killed
            store.start()
        self.balancer.start()
        self.front.start()
        until(lambda: self.who() == 1, "the first store")

    def stop(self) -> None:
        for service in (self.front, self.balancer, *self.stores):
            service.stop()

    def fill(self, number: int, points: int) -> None:
        now_ms = time.time_ns() // 1_000_000 - 7_200_000
        lines = [f"platelink,site={site} sample={n} {now_ms + n}"
                 for site in SITES for n in range(points // len(SITES))]  # fmt: skip
        self._write(number, "\n".join([*lines, f"own number={number} {now_ms}"]))

    def _write(self, number: int, lines: str) -> None:
        url = self.stores[number - 1].url
        urllib.request.urlopen(f"{url}/write?precision=ms", lines.encode(), timeout=10).close()
        urllib.request.urlopen(f"{url}/internal/force_flush", timeout=10).close()

    def mark(self, number: int) -> None:
        """By the documented line."""
        self._documented("store mark", number)
        urllib.request.urlopen(
            f"{self.stores[number - 1].url}/internal/force_flush", timeout=10
        ).close()

    def _documented(self, name: str, number: int) -> str:
        found = re.search(rf"<!-- {name} -->\n```sh\n(.*?)```\n", SCALE, re.DOTALL)
        assert found and "127.0.0.1:8428" in found[1]
        line = found[1].replace("127.0.0.1:8428", f"127.0.0.1:{self.stores[number - 1].port}")
        done = subprocess.run(
            ["sh", "-ec", line], capture_output=True, text=True, check=True, timeout=30
        )
        return done.stdout

    def counted(self, number: int) -> dict[str, int]:
        """Samples of each site, by the documented line."""
        found = json.loads(self._documented("store count", number))["data"]["result"]
        return {one["metric"]["site"]: int(one["value"][1]) for one in found}

    def ask(
        self, path: str, user: str = "reader", password: str = "reader-password",
        data: bytes | None = None, method: str | None = None, **query: str,
    ) -> tuple[int, bytes]:  # fmt: skip
        where = f"https://127.0.0.1:{self.front.port}{path}"
        where += f"?{urllib.parse.urlencode(query)}" if query else ""
        request = urllib.request.Request(where, data=data, method=method)
        pair = base64.b64encode(f"{user}:{password}".encode()).decode()
        request.add_header("Authorization", f"Basic {pair}")
        trusted = ssl.create_default_context(cafile=str(self.front.directory / "own.crt"))
        try:
            with urllib.request.urlopen(request, timeout=30, context=trusted) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read()

    def value(self, query: str, **more: str) -> float | None:
        status, body = self.ask("/api/v1/query", query=query, **more)
        assert status == 200, (status, body)
        found = json.loads(body)["data"]["result"]
        return float(found[0]["value"][1]) if found else None

    def who(self) -> float | None:
        """The store that answers; None while none does."""
        status, body = self.ask("/api/v1/query", query="last_over_time(own_number[50y])")
        found = json.loads(body)["data"]["result"] if status == 200 else []
        return float(found[0]["value"][1]) if found else None

    def empty_first(self) -> None:
        """In the documented order: haproxy has seen it away before it is there again."""
        store = self.stores[0]
        store.kill()
        until(lambda: "Server stores/first is DOWN" in self.balancer.log(), "look at the store")
        shutil.rmtree(store.directory / "store")
        store.start()


def until(true: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < end, f"no {what} within {LIMIT_S:g} s"
        time.sleep(0.05)


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    made = Pair(tmp_path)
    try:
        made.start()
        yield made
    finally:
        made.stop()


@pytest.mark.timeout(240)
def test_every_question_is_answered_whichever_store_is_killed(pair: Pair) -> None:
    first, second = pair.stores
    first.kill()
    for _ in range(20):  # from the very first one on
        assert pair.value(ALL) == POINTS
    assert pair.who() == 2
    first.start()
    until(lambda: pair.who() == 1, "first store again")
    second.kill()
    for _ in range(20):
        assert pair.value(ALL) == POINTS
    assert pair.who() == 1
    first.kill()
    status, body = pair.ask("/api/v1/query", query=ALL)
    assert status == 503 and b"No server is available" in body
    second.start()
    until(lambda: pair.who() == 2, "second store again")
    assert pair.value(ALL) == POINTS


class DiesWhenAsked(BaseHTTPRequestHandler):
    """A store that has its mark, and dies at every question."""

    def do_GET(self) -> None:
        if "platelink_store_complete" in self.path:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b'"value":')
        self.close_connection = True

    def do_POST(self) -> None:
        self.do_GET()

    def log_message(self, *_: object) -> None:
        """Nothing."""


@pytest.mark.timeout(240)
def test_a_question_whose_store_dies_meanwhile_is_asked_of_the_other(pair: Pair) -> None:
    dying = ThreadingHTTPServer(("127.0.0.1", 0), DiesWhenAsked)
    threading.Thread(target=dying.serve_forever, daemon=True).start()
    pair.balancer.stop()
    pair.balancer.first_port = dying.server_address[1]
    try:
        pair.balancer.start()
        assert pair.value(ALL) == POINTS and pair.who() == 2
        form = urllib.parse.urlencode({"query": ALL}).encode()
        status, body = pair.ask("/api/v1/query", data=form)
        assert status == 200 and json.loads(body)["data"]["result"][0]["value"][1] == str(POINTS)
        assert "Server stores/first is DOWN" not in pair.balancer.log()
    finally:
        dying.shutdown()
        dying.server_close()


@pytest.mark.timeout(240)
def test_an_emptied_store_is_asked_when_somebody_has_said_that_it_is_complete(pair: Pair) -> None:
    assert pair.counted(1) == pair.counted(2) == dict.fromkeys(SITES, POINTS // 2)
    pair.empty_first()
    pair.fill(1, POINTS // 2)  # it answers, and has half
    # haproxy looks, and finds no mark; a store whose looks it has passed would be asked by then.
    looks = "Health check for server stores/first failed, reason: Layer7 invalid response"
    until(lambda: looks in pair.balancer.log(), "look without a mark")
    for _ in range(10):
        assert pair.value(ALL) == POINTS and pair.who() == 2
    assert pair.counted(1) != pair.counted(2)
    pair.mark(1)  # too soon: holes, and nobody is told
    until(lambda: pair.who() == 1, "the marked store")
    assert pair.value(ALL) == POINTS / 2


WRITES = (
    "/write?precision=ms", "/api/v1/import", "/api/v1/import/prometheus", "/api/v1/write",
    "/api/v1/admin/tsdb/delete_series?match[]={__name__!=%22%22}", "/internal/force_merge",
    "/snapshot/create", "/api/v1/export?match[]=own_number", "/api/v1/query/../../../write",
    "//write", "/api/v1/query%2F..%2F..%2F..%2Fwrite", "/api/v1/label/../../../write/values",
    "/prometheus/api/v1/import", "/-/reload", "/flags", "/metrics", "/debug/pprof/cmdline",
)  # fmt: skip


@pytest.mark.timeout(240)
def test_who_may_read_what_and_nobody_writes(pair: Pair) -> None:
    assert pair.value(ALL) == POINTS
    # A password more or less, nobody, and somebody else's: all the same refusal.
    for user, password in (("reader", "wrong"), ("reader", ""), ("", ""), ("nobody", "x"),
                           ("reader", "site-password")):  # fmt: skip
        status, body = pair.ask("/api/v1/query", user, password, query=ALL)
        assert status in (400, 401) and b"data" not in body, user
    line = b"own number=99"
    for path in WRITES:
        for data in (line, None):
            status, _ = pair.ask(path, data=data)
            assert 400 <= status < 500, path
    for number, store in enumerate(pair.stores, 1):
        urllib.request.urlopen(f"{store.url}/internal/force_flush", timeout=10).close()
        query = urllib.parse.urlencode({"query": "count_over_time(own_number[50y])"})
        with urllib.request.urlopen(f"{store.url}/api/v1/query?{query}", timeout=10) as answer:
            assert json.load(answer)["data"]["result"][0]["value"][1] == "1", number
    # A reader of one site gets no other's, however it asks.
    site = {"user": SITES[0], "password": "site-password"}
    assert pair.value(ALL, **site) == POINTS / 2
    by_site = f'count_over_time(platelink_sample{{site="{SITES[1]}"}}[50y])'
    for more in ({}, {"extra_label": f"site={SITES[1]}"}, {"extra_filters[]": '{site!=""}'}):
        assert pair.value(by_site, **site, **more) is None
    for path in ("/api/v1/label/site/values", "/api/v1/series"):
        query = {"match[]": "platelink_sample", "extra_label": f"site={SITES[1]}"}
        status, body = pair.ask(path, **site, **query)
        assert status == 200 and SITES[1].encode() not in body
    status, body = pair.ask("/api/v1/label/site/values", **site)
    assert status == 200 and json.loads(body)["data"] == [SITES[0]]
