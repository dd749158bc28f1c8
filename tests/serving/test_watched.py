"""The port of a recorder: figures, health, clients that say nothing; the ends of certificates."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace

import pytest

from platelink.cli.recorder import Told
from platelink.config.services import RecorderSection
from platelink.publish.figures import of_recorder, problems_of
from platelink.publish.recorder import RecorderStatus
from platelink.publish.recorder_journal import Counts
from platelink.serving.certificates import of_certificates, read
from platelink.serving.figure import Figure
from platelink.serving.figures import text_of
from platelink.serving.watched import Watched


def status(**more: object) -> RecorderStatus:
    told = {
        "connected": True, "counts": Counts(received=9, dead_letters=2), "pending": 4,
        "lag_s": 61.5, "unconfirmed": 3, "lines_written": 9, "rows_written_again": 0,
        "store_start": 1.0, "store_restarts": 0, "store_rows_refused": 0, "broker_problem": "",
        "store_problem": "", "journal_problem": "", **more,
    }  # fmt: skip
    return RecorderStatus(**told)  # type: ignore[arg-type]


def get(port: int, path: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, fault.read().decode()


def test_a_recorder_in_figures() -> None:
    text = text_of(of_recorder(status(), {("shop", "unit-1"): 1_700_000_000_000}, "r-1", 0.4))
    lines = set(text.splitlines())
    assert 'platelink_recorder_lag_seconds{recorder="r-1"} 61.5' in lines
    assert 'platelink_recorder_dead_letters_total{recorder="r-1"} 2.0' in lines
    assert "# TYPE platelink_recorder_dead_letters_total counter" in lines
    heard = 'platelink_recorder_heard_timestamp_seconds{recorder="r-1",site="shop",unit="unit-1"}'
    assert f"{heard} 1.7e+09" in lines


def test_the_port_answers_and_somebody_who_says_nothing_stops_nobody() -> None:
    told = [status()]
    with (
        Watched(
            "127.0.0.1", 0, lambda: "figures 1\n", lambda: problems_of(told[0], 1.0)
        ) as watched,
        socket.create_connection(("127.0.0.1", watched.port)),  # says nothing, and is left
    ):
        assert get(watched.port, "/metrics") == (200, "figures 1\n")
        assert get(watched.port, "/health")[0] == 200
        told[0] = status(broker_problem="no broker", journal_problem="disk full")
        code, text = get(watched.port, "/health")
        assert (code, json.loads(text)["problems"]) == (503, ["no broker", "disk full"])
        assert get(watched.port, "/etc/passwd")[0] == 404
        with pytest.raises(OSError, match="in use"):
            Watched("127.0.0.1", watched.port, lambda: "", lambda: ())


def test_somebody_who_says_a_byte_now_and_then_stops_nobody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("platelink.serving.watched.PATIENCE_S", 0.2)
    with (
        Watched("127.0.0.1", 0, lambda: "figures 1\n", lambda: ()) as watched,
        socket.create_connection(("127.0.0.1", watched.port), timeout=0.02) as slow,
    ):
        left, end = False, time.monotonic() + 20
        while not left and time.monotonic() < end:
            slow.sendall(b"G")
            with suppress(TimeoutError):
                left = slow.recv(1) == b""
        assert left
        assert get(watched.port, "/metrics") == (200, "figures 1\n")


def test_a_recorder_that_hangs_tells_its_age_and_nothing_else() -> None:
    """Its port is another thread's, and would tell the last status for ever."""
    told = {line.split("{")[0]: line for line in
            text_of(of_recorder(status(), {("s", "u"): 1}, "r-1", 31.0)).splitlines()
            if line.startswith("platelink_")}  # fmt: skip
    age = 'platelink_recorder_status_age_seconds{recorder="r-1"} 31.0'
    assert told == {"platelink_recorder_status_age_seconds": age}
    assert "has not turned for 31 s" in problems_of(status(), 31.0)[0]
    assert problems_of(status(), 29.0) == []


def test_the_port_knows_since_when_its_recorder_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = [100.0]
    monkeypatch.setattr("platelink.cli.recorder.time.monotonic", lambda: now[0])
    worker = SimpleNamespace(status=status, heard={})
    settings = SimpleNamespace(
        name="r-1", broker=SimpleNamespace(ca_file=None, certificate_file=None),
        store=SimpleNamespace(ca_file=None),
    )  # fmt: skip
    told = Told(worker, settings, 10.0, False)  # type: ignore[arg-type]
    connected = 'platelink_recorder_connected{recorder="r-1"} 1.0'
    now[0] = 125.0
    assert connected in told.figures() and told.problems() == []
    told.take(status())
    now[0] = 150.0
    assert connected in told.figures()
    now[0] = 156.0
    assert connected not in told.figures() and told.problems()


def test_rows_that_the_store_has_not_told_of_are_not_none() -> None:
    """Else a recorder that begins once more counts from 0 what was told long ago."""
    name = "platelink_recorder_store_rows_refused"
    for known in (None, 5):
        text = text_of(of_recorder(status(store_rows_refused=known), {}, "r-1", 0.0))
        assert (f"\n{name}{{" in text) == (known is not None)
    assert "rows dropped by the store not known" in status(store_rows_refused=None).text()
    assert "rows dropped by the store 5" in status(store_rows_refused=5).text()


@pytest.mark.parametrize("place", ["", "host:", "host:99999", "a b:1", "host:-1"])
def test_a_place_that_is_none_is_refused(place: str) -> None:
    with pytest.raises(ValueError, match=r"must be \[host:\]port"):
        RecorderSection(watch=place)


def test_a_certificate_tells_its_end_and_what_is_none_tells_nothing(tmp_path: Path) -> None:
    """By openssl, which made it."""
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj",
         "/CN=invented", "-keyout", os.devnull, "-out", tmp_path / "page.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    (tmp_path / "broken.pem").write_text("no certificate")
    told = subprocess.run(
        ["openssl", "x509", "-enddate", "-noout", "-in", tmp_path / "page.pem"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    end = subprocess.run(
        ["date", "-u", "-d", told.partition("=")[2].strip(), "+%s"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    (tmp_path / "client").mkdir()  # of the same name, as "cert.pem" of authority and client
    shutil.copy(tmp_path / "page.pem", tmp_path / "client")
    files = ["page.pem", "page.pem", "client/page.pem", "broken.pem", "none.pem"]
    (known, other, *unknown) = of_certificates(read(*(tmp_path / f for f in files), None)).values
    assert known == ({"file": f"{tmp_path}/page.pem"}, float(end.stdout))
    assert other == ({"file": f"{tmp_path}/client/page.pem"}, float(end.stdout))
    assert [value for _, value in unknown] == [None, None]


def test_what_is_not_known_has_no_line() -> None:
    text = text_of([Figure("platelink_x", "X.", [({"a": "1"}, None), ({"a": "2"}, 5.0)])])
    assert [line for line in text.splitlines() if line.startswith("platelink_x")] == [
        'platelink_x{a="2"} 5.0'
    ]
