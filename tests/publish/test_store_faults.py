"""Faults of the store, sorted: what is the data's, what may pass. Against a small HTTP server."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from platelink.publish.store import Store, StoreLost, StoreRefused, StoreSettings


class Scripted(BaseHTTPRequestHandler):
    """Answers with the status and text that the test has set on the server."""

    def do_POST(self) -> None:
        self.server.bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
        self.server.authorization = self.headers.get("Authorization")
        self._answer()

    def do_GET(self) -> None:
        self.server.authorization = self.headers.get("Authorization")
        self._answer()

    def _answer(self) -> None:
        status, text = self.server.script
        if status == 0:  # hangs
            self.server.release.wait(5)
            status = 204
        self.send_response(status)
        body = b"" if status == 204 else text.encode()
        if status != 204:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *arguments: object) -> None:
        pass


@pytest.fixture
def server():
    server = ThreadingHTTPServer(("127.0.0.1", 0), Scripted)
    server.daemon_threads = True
    server.bodies, server.script, server.release = [], (204, ""), threading.Event()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield server
    server.release.set()
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def make(server):
    stores = []

    def make(**settings: object) -> Store:
        url = f"http://127.0.0.1:{server.server_port}"
        stores.append(Store(StoreSettings(url, **settings)))
        return stores[-1]

    yield make
    for store in stores:
        store.close()


def test_lines_go_out_as_they_are(server, make):
    make().write("m,a=b x=1.0 1\nm,a=b x=2.0 2")
    assert server.bodies == [b"m,a=b x=1.0 1\nm,a=b x=2.0 2"]


@pytest.mark.parametrize("status", [400, 413, 422])
def test_bad_data_is_told_from_the_rest(server, make, status):
    server.script = (status, "field type conflict")
    with pytest.raises(StoreRefused, match=f"{status}.*field type conflict"):
        make().write("m x=1 1")


@pytest.mark.parametrize("status", [401, 403, 404, 429, 500, 503])
def test_everything_else_may_pass(server, make, status):
    server.script = (status, "not now")
    with pytest.raises(StoreLost, match=f"{status}"):
        make().write("m x=1 1")


def test_store_that_hangs_is_left_after_the_time_limit(server, make):
    server.script = (0, "")
    with pytest.raises(StoreLost, match=r"not reachable within 0.2 s"):
        make(timeout_s=0.2).write("m x=1 1")


def test_an_authority_that_is_not_there_is_named(tmp_path):
    store = Store(StoreSettings("https://127.0.0.1:9", ca_file=str(tmp_path / "ca.crt")))
    try:
        for ask in (store.state, lambda: store.write("m x=1 1")):
            with pytest.raises(StoreLost, match=f"and that ca_file {tmp_path}/ca.crt is there"):
                ask()
    finally:
        store.close()


def test_start_time_is_read_where_it_is_reported(server, make):
    text = 'vm_rows_invalid_total{type="influx"} 2\nprocess_start_time_seconds 1.7e9\n'
    server.script = (200, text + 'vm_rows_ignored_total{reason="big_timestamp"} 3\n')
    assert make().state() == (1.7e9, 5)
    server.script = (200, "something else\n")
    assert make().state() == (None, None)
    server.script = (404, "no such page")
    assert make().state() == (None, None)
    server.script = (503, "starting")
    with pytest.raises(StoreLost):
        make().state()


def test_credentials_are_sent_and_never_shown(server, make):
    make(username="shop", password="secret").write("m x=1 1")
    assert server.authorization == "Basic c2hvcDpzZWNyZXQ="
    make(token="t0ken").write("m x=1 1")
    assert server.authorization == "Token t0ken"
    server.script = (200, "")
    make(username="shop", password="secret").state()
    assert server.authorization == "Basic c2hvcDpzZWNyZXQ="
    shown = repr(StoreSettings("http://x", username="shop", password="secret", token="t0ken"))
    assert "secret" not in shown and "t0ken" not in shown
