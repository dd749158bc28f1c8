"""``platelink page``: what it says when it cannot begin, and that it ends when it is told to."""

from __future__ import annotations

import shutil
import signal
import socket
import ssl
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

pytestmark = pytest.mark.system


@pytest.fixture
def config(tmp_path: Path) -> Path:
    example = subprocess.run(
        [sys.executable, "-m", "platelink", "config", "example"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    path = tmp_path / "platelink.toml"
    path.write_text(example, "utf-8")
    return path


def command(config: Path, *options: str) -> list[str]:
    return [sys.executable, "-m", "platelink", "--config", str(config), "page", *options]


def refused(config: Path, *options: str) -> str:
    """What is said on the way out."""
    run = subprocess.run(
        command(config, *options), capture_output=True, text=True, check=False, timeout=60
    )
    assert run.returncode in (1, 2) and "Traceback" not in run.stderr
    return run.stderr


@contextmanager
def page(config: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A running page and its address."""
    child = subprocess.Popen(
        command(config, "--listen", "127.0.0.1:0", *options), stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    try:
        yield child.stdout.readline().removeprefix("the page: ").strip(), child
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def test_a_port_that_is_taken_is_told(config: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        text = refused(config, "--listen", f"127.0.0.1:{taken.getsockname()[1]}")
    assert "is another page running there? Choose another with --listen" in text


def test_what_is_no_place_or_no_certificate_is_told(config: Path) -> None:
    assert "write a port" in refused(config, "--listen", "here")
    assert "write a port" in refused(config, "--listen", "127.0.0.1:70000")
    assert "go together" in refused(config, "--certificate", str(config))
    text = refused(config, "--certificate", str(config), "--key", str(config))
    assert "give a certificate in PEM" in text


def test_it_serves_without_a_unit_says_so_and_ends_in_order(config: Path) -> None:
    with page(config) as (address, child):
        with pytest.raises(urllib.error.HTTPError) as told:
            urllib.request.urlopen(address)
        assert told.value.code == 503
        assert "platelink doctor" in told.value.read().decode()
        told.value.close()
        loaded = Path(f"/proc/{child.pid}/maps").read_text("utf-8")
        assert "pydantic_core" in loaded and "numpy" not in loaded  # what reads configurations
        child.send_signal(signal.SIGTERM)
        assert child.wait(timeout=10.0) == 0


def test_it_serves_https(config: Path, tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed; sudo apt install openssl")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out",
         str(certificate)],
        capture_output=True, check=True,
    )  # fmt: skip
    trusted = ssl.create_default_context(cafile=certificate)
    with page(config, "--certificate", str(certificate), "--key", str(key)) as (address, _):
        assert address.startswith("https://127.0.0.1:")
        with pytest.raises(urllib.error.HTTPError) as told:
            urllib.request.urlopen(address, context=trusted)
        assert told.value.code == 503
        told.value.close()


STOP = (
    b"POST /api/v1/exposure/stop HTTP/1.1\r\nhost: localhost:%d\r\norigin: http://localhost:%d\r\n"
    b"content-length: 0\r\n\r\n"
)


def test_connections_that_say_nothing_keep_nobody_out_and_fill_no_log(config: Path) -> None:
    """More of them than the page may have files open, which once was told at every turn."""
    arguments = ["/bin/sh", "-c", 'ulimit -n 400; exec "$@"', "sh",
                 *command(config, "--listen", "127.0.0.1:0")]  # fmt: skip
    child = subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout is not None and child.stderr is not None
    with ExitStack() as stack:
        port = int(child.stdout.readline().rstrip("/\n").rpartition(":")[2])
        for number in range(600):
            idle = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
            idle.sendall((b"", b"GET / HT", b"GET / HTTP/1.1\r\nhost: localhost\r\n")[number % 3])
        for _ in range(3):
            line = stack.enter_context(socket.create_connection(("127.0.0.1", port), 10.0))
            line.sendall(STOP % (port, port))
            assert line.recv(4096).startswith(b"HTTP/1.1 503")  # no unit is there; it was asked
        child.terminate()
        said = child.stdout.read() + child.stderr.read()
        assert child.wait(timeout=10.0) == 0
        child.stdout.close()
        child.stderr.close()
    assert said == ""
