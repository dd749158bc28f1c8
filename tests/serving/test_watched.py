"""The port of a recorder: figures, health, clients that say nothing; the ends of certificates."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from platelink.config.services import RecorderSection
from platelink.publish.figures import of_recorder, problems_of
from platelink.publish.recorder import RecorderStatus
from platelink.publish.recorder_journal import Counts
from platelink.serving.certificates import of_certificates
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
    text = text_of(of_recorder(status(), {("shop", "unit-1"): 1_700_000_000_000}, "r-1"))
    lines = set(text.splitlines())
    assert 'platelink_recorder_lag_seconds{recorder="r-1"} 61.5' in lines
    assert 'platelink_recorder_dead_letters_total{recorder="r-1"} 2.0' in lines
    assert "# TYPE platelink_recorder_dead_letters_total counter" in lines
    heard = 'platelink_recorder_heard_timestamp_seconds{recorder="r-1",site="shop",unit="unit-1"}'
    assert f"{heard} 1.7e+09" in lines


def test_the_port_answers_and_somebody_who_says_nothing_stops_nobody() -> None:
    told = [status()]
    with (
        Watched("127.0.0.1", 0, lambda: "figures 1\n", lambda: problems_of(told[0])) as watched,
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
    files = [tmp_path / "page.pem", tmp_path / "broken.pem", tmp_path / "none.pem", None]
    (known, *unknown) = of_certificates(files).values
    assert known == ({"file": "page.pem"}, float(end.stdout))
    assert [value for _, value in unknown] == [None, None]


def test_what_is_not_known_has_no_line() -> None:
    text = text_of([Figure("platelink_x", "X.", [({"a": "1"}, None), ({"a": "2"}, 5.0)])])
    assert [line for line in text.splitlines() if line.startswith("platelink_x")] == [
        'platelink_x{a="2"} 5.0'
    ]
