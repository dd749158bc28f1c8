"""The doctor: each thing looked at, right and wrong."""

from __future__ import annotations

import http.server
import json
import os
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest
from cli_runs import MINIMAL, OPEN, make_journal, run

from platelink.cli import device, findings
from platelink.cli.device import Heard, _by_daemon, _heard
from platelink.cli.doctor import examine, text_of
from platelink.cli.findings import Finding, told
from platelink.config import loads
from platelink.config.services import StoreSection
from platelink.link.framing import encode
from platelink.link.messages import PROTOCOL_VERSION, Hello
from platelink.link.session import Session
from platelink.publish.mqtt import BrokerError, BrokerSettings
from platelink.publish.services import BrokerService, free_port
from platelink.publish.store import StoreSettings
from platesim.ptyprocess import PtyProcess


def states(found: list[Finding]) -> dict[str, str]:
    return {finding.subject: finding.health for finding in found}


def test_without_a_configuration_it_says_what_to_write(tmp_path: Path) -> None:
    first, *rest = examine(None, recorder=False, quick=False)
    assert first.health == "wrong" and "platelink config example" in first.advice
    assert [finding.subject for finding in rest] == ["clock"]


def test_a_faulty_configuration_is_told_whole(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL.replace("18.4", "-1").replace("0.0149", "0"))
    result = run("--config", path, "doctor", "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 1 and not told["ok"]
    wrong = [f["measured"] for f in told["findings"] if f["health"] == "wrong"]
    assert len(wrong) == 2 and all("light.channel[0]" in text for text in wrong)


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL)
    result = run("--config", path, "doctor")
    assert result.exit_code == 1
    assert "WRONG    port       there is no device at /dev/no-such-port" in result.stdout
    assert "do: plug the unit in" in result.stdout
    assert "is not begun yet" in result.stdout
    assert "broker     none is configured" in result.stdout


@pytest.mark.system
def test_a_device_that_answers(tmp_path: Path) -> None:
    with PtyProcess() as unit:
        path = tmp_path / "platelink.toml"
        path.write_text(MINIMAL.replace("/dev/no-such-port", unit.path))
        found = {f.subject: f for f in examine(path, recorder=False, quick=False)}
    assert states(list(found.values())) | {"clock": "", "broker": "", "store": ""} == {
        "config": "ok", "port": "ok", "device": "ok", "link": "ok", "journal": "ok", "disk": "ok",
        "clock": "", "broker": "", "store": "",
    }  # fmt: skip
    assert "10 bit, light channels: 1" in found["device"].measured


def test_a_port_that_stays_silent(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(device, "HELLO_WAIT_S", 0.1)
    master, slave = os.openpty()
    try:
        path = tmp_path / "platelink.toml"
        path.write_text(MINIMAL.replace("/dev/no-such-port", os.ttyname(slave)))
        found = {f.subject: f for f in examine(path, recorder=False, quick=True)}
    finally:
        os.close(master)
        os.close(slave)
    assert found["port"].health == "ok" and "0 bytes came" in found["port"].measured
    assert found["device"].health == "wrong" and "supply" in found["device"].advice


def hello(**fields: object) -> Hello:
    usual = Hello(PROTOCOL_VERSION, 1, (1, 0, 0), 1, 10, 15, 0, 7, 5000, 1000, 50)
    return usual._replace(**fields)


def heard(message: Hello) -> Heard:
    session = Session()
    session.port_opened(now=0.0)
    session.receive(encode(message, 0), now=0.1)
    return Heard(status=session.status(now=0.2))


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (hello(adc_bits=12), "its converter has 12 bit"),
        (hello(light_channels=0), "it has 0 light channels"),
        (hello(protocol=PROTOCOL_VERSION + 1), "protocol version"),
    ],
)
def test_a_device_that_does_not_fit(message: Hello, text: str) -> None:
    found = list(_heard(loads(MINIMAL), heard(message)))
    wrong = [finding for finding in found if finding.health == "wrong"]
    assert len(wrong) == 1 and text in wrong[0].measured and wrong[0].advice
    assert all(f.health != "wrong" for f in _heard(loads(MINIMAL), heard(hello())))


def test_a_running_daemon_is_asked() -> None:
    link = {"state": "up", "text": "up", "frames": 10, "frames_lost": 0, "crc_failures": 0,
            "reconnects": 0}  # fmt: skip
    status = {"link": link, "exposure": None, "problem": "", "journal": {"fault": ""}}
    assert set(states(list(_by_daemon(loads(MINIMAL), status))).values()) == {"ok"}
    sick = status | {"link": link | {"state": "closed"}, "journal": {"fault": "disk full"},
                     "publisher": {"connected": False, "pending": 7, "lag_s": 3.2,
                                   "problem": "refused"}}  # fmt: skip
    found = list(_by_daemon(loads(MINIMAL), sick))
    assert states(found)["device"] == states(found)["journal"] == "wrong"
    assert any("7 entries wait, the oldest 3 s. refused" in f.measured for f in found)


# --- journal, disk, clock -------------------------------------------------------------------------


def test_a_journal_with_open_runs(tmp_path: Path) -> None:
    path = make_journal(tmp_path / "journal.sqlite")
    idle, newest = findings.journal(path, daemon_runs=False, quick=False)
    assert [f.health for f in idle][:2] == ["ok", "notice"]
    assert "1 exposures have no end" in idle[1].measured and OPEN and newest is not None
    busy, _ = findings.journal(path, daemon_runs=True, quick=True)
    assert not any("no end" in f.measured for f in busy)


def test_a_journal_that_is_damaged_or_another_file(tmp_path: Path) -> None:
    path = make_journal(tmp_path / "journal.sqlite")
    content = bytearray(path.read_bytes())
    content[4096 * 3 : 4096 * 5] = b"\xa5" * 8192
    path.write_bytes(content)
    found, _ = findings.journal(path, daemon_runs=False, quick=False)
    assert found[0].health == "wrong"
    path.write_bytes(b"no journal at all" * 1000)
    found, newest = findings.journal(path, daemon_runs=False, quick=False)
    assert found[0].health == "wrong" and newest is None
    gone, _ = findings.journal(tmp_path / "no" / "j.sqlite", daemon_runs=False, quick=False)
    assert gone[0].health == "wrong" and "does not exist" in gone[0].measured


class Usage(NamedTuple):
    total: int
    used: int
    free: int


@pytest.mark.parametrize(
    ("free", "health"),
    [
        (1_000_000_000, "ok"),
        (999_999_999, "notice"),
        (100_000_000, "notice"),
        (99_999_999, "wrong"),
    ],
)
def test_free_space_at_its_limits(tmp_path: Path, monkeypatch, free: int, health: str) -> None:
    monkeypatch.setattr(findings.shutil, "disk_usage", lambda place: Usage(0, 0, free))
    assert findings.disk(tmp_path / "not" / "there.sqlite").health == health


@pytest.mark.parametrize(
    ("known", "health"),
    [((True, 0.02), "ok"), ((True, 16.0), "notice"), ((False, 16.0), "notice"), (None, "unknown")],
)
def test_the_clock(tmp_path: Path, monkeypatch, known: tuple | None, health: str) -> None:
    monkeypatch.setattr(findings, "kernel_clock", lambda: known)
    monkeypatch.setattr(findings, "_TIMESYNC", tmp_path / "none")
    assert findings.clock().health == health
    later = datetime.now(UTC) + timedelta(hours=1)
    assert findings.clock(later).health == "wrong"
    assert findings.clock(later - timedelta(hours=2)).health == health


def test_the_kernel_tells_of_its_clock_or_nothing() -> None:
    known = findings.kernel_clock()
    assert known is None or (isinstance(known[0], bool) and known[1] >= 0.0)


# --- broker and store -----------------------------------------------------------------------------


@pytest.mark.system
def test_broker(tmp_path: Path) -> None:
    if BrokerService.find() is None:
        pytest.skip("mosquitto is not installed")
    service = BrokerService(tmp_path)
    service.start()
    try:
        settings = BrokerSettings("127.0.0.1", service.port)
        assert findings.broker(settings).health == "ok"
    finally:
        service.stop()
    gone = findings.broker(settings)
    assert gone.health == "wrong" and "check that it runs" in gone.advice
    assert findings.broker(None).health == "left out"


class Metrics(http.server.BaseHTTPRequestHandler):
    text = ""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(self.text.encode())

    def log_message(self, *_: object) -> None:
        pass


@pytest.mark.parametrize(
    ("text", "confirm", "health"),
    [
        ("process_start_time_seconds 1790000000\n", "auto", "ok"),
        ("", "auto", "ok"),
        ("", "restart", "wrong"),
        ('process_start_time_seconds 1790000000\nvm_rows_ignored_total{a="b"} 3\n', "auto",
         "notice"),
    ],
)  # fmt: skip
def test_store(text: str, confirm: str, health: str) -> None:
    Metrics.text = text
    with http.server.HTTPServer(("127.0.0.1", 0), Metrics) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        url = f"http://127.0.0.1:{server.server_port}"
        try:
            section = StoreSection.model_validate({"url": url, "confirm": confirm})
            assert findings.store(section, StoreSettings(url)).health == health
        finally:
            server.shutdown()
            thread.join()
    gone = findings.store(section, StoreSettings(f"http://127.0.0.1:{free_port()}"))
    assert gone.health == "wrong" and "check that it runs" in gone.advice


def test_a_secret_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(
        'format = 1\n[broker]\nhost = "127.0.0.1"\npassword_file = "none"\nusername = "u"\n'
        f'[store]\nurl = "http://127.0.0.1:{free_port()}"\n'
    )
    found = {f.subject: f for f in examine(path, recorder=True, quick=False)}
    assert found["broker"].health == "wrong" and "cannot be read" in found["broker"].measured
    assert found["store"].health == "wrong"


# --- words ----------------------------------------------------------------------------------------


def test_the_last_part_of_a_fault_is_what_to_do() -> None:
    for text in ("the port is busy; stop that program", "not reachable (refused): try it"):
        finding = told("port", BrokerError(text))
        assert finding.advice in ("stop that program", "try it") and finding.health == "wrong"
    assert told("x", BrokerError("bare")).measured == "bare"


def test_a_finding_as_text() -> None:
    finding = Finding("disk", "wrong", "1 GB free", "at least 2 GB", "free disk space")
    assert text_of(finding).splitlines() == [
        "WRONG    disk       1 GB free",
        "                    limit: at least 2 GB",
        "                    do: free disk space",
    ]
