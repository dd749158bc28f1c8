"""The doctor: each thing looked at, right and wrong."""

from __future__ import annotations

import http.server
import os
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest
from cli.cli_runs import MINIMAL, OPEN, make_journal
from damage import campaign
from whole_documents import LINK, STATUS

from platelink.cli.doctor import last_word
from platelink.client import reach
from platelink.config.load import loads
from platelink.config.services import StoreSection
from platelink.contract.unit import Reading, Status
from platelink.doctor import device, findings
from platelink.doctor.device import Heard, _by_daemon, _heard, judged
from platelink.doctor.examine import examine, without_configuration
from platelink.doctor.findings import Finding, fault
from platelink.ledger.lock import WriterLock
from platelink.link.framing import encode
from platelink.link.messages import PROTOCOL_VERSION, Hello
from platelink.link.session import Session
from platelink.publish.broker import BrokerError, BrokerLink, Connected, Received
from platelink.publish.links import link_to
from platelink.publish.recorder_schema import RECORDER
from platelink.publish.services import BrokerService, free_port
from platelink.publish.store import StoreSettings
from platesim.ptyprocess import PtyProcess


def states(found: list[Finding]) -> dict[str, str]:
    return {finding.subject: finding.health for finding in found}


def test_without_a_configuration_it_says_what_to_write(tmp_path: Path) -> None:
    first, *rest = without_configuration([tmp_path / "a.toml", tmp_path / "b.toml"])
    assert f"looked for {tmp_path}/a.toml and {tmp_path}/b.toml" in first.measured
    assert first.health == "wrong" and "platelink config example" in first.advice
    assert [finding.subject for finding in rest] == ["clock"]


@pytest.mark.system
def test_a_device_that_answers(tmp_path: Path) -> None:
    with PtyProcess() as unit:
        path = tmp_path / "platelink.toml"
        path.write_text(MINIMAL.replace("/dev/no-such-port", unit.path))
        found = {f.subject: f for f in examine(path, recorder=False, quick=False)}
    assert states(list(found.values())) | {"clock": "", "broker": "", "store": ""} == {
        "config": "ok", "port": "ok", "device": "ok", "link": "ok", "journal": "ok", "disk": "ok",
        "people": "ok", "alerts": "left out", "seals": "ok", "growth": "ok",
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
    status = Status.model_validate(STATUS)
    assert set(states(list(_by_daemon(loads(MINIMAL), status))).values()) == {"ok"}
    sick = STATUS | {"link": LINK | {"state": "closed"},
                     "journal": {"pending": 0, "fault": "disk full"},
                     "service": {"port": None, "pid": 1, "problem": "no socket for the page"},
                     "publisher": {"connected": False, "pending": 7, "lag_s": 3.2,
                                   "problem": "refused", "notice": "again"}}  # fmt: skip
    found = list(_by_daemon(loads(MINIMAL), Status.model_validate(sick)))
    assert states(found)["device"] == states(found)["journal"] == "wrong"
    assert states(found)["service"] == "wrong"
    assert any("7 entries wait, the oldest 3 s. refused. again" in f.measured for f in found)
    resent = {"connected": True, "pending": 0, "lag_s": 0.0, "problem": "", "notice": "sent anew"}
    found = list(_by_daemon(loads(MINIMAL), Status.model_validate(STATUS | {"publisher": resent})))
    assert states(found)["publisher"] == "notice"


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
    service = BrokerService(tmp_path, "shop/unit-1")
    service.start()
    try:
        settings = service.settings("shop/unit-1")
        assert findings.broker(settings).health == "ok"
    finally:
        service.stop()
    gone = findings.broker(settings)
    assert gone.health == "wrong" and "check that it runs" in gone.advice
    assert findings.broker(None).health == "left out"


@pytest.mark.system
def test_what_waits_for_a_recorder_is_left_to_it(tmp_path: Path) -> None:
    """One user, one session: who logs in by its name must not end it."""
    if BrokerService.find() is None:
        pytest.skip("mosquitto is not installed")
    service = BrokerService(tmp_path / "broker", "shop/unit-1")
    service.start()
    path, journal = tmp_path / "recorder.toml", tmp_path / "r.sqlite"
    path.write_text(
        f'format = 1\n{service.section("shop/unit-1")}path = "{journal}"\n'
        '[store]\nurl = "http://127.0.0.1:1"\n'
    )
    journal.with_suffix(".name").write_text("night\n")

    def broker_finding() -> Finding:
        found = examine(path, recorder=True, quick=True)
        return next(finding for finding in found if finding.subject == "broker")

    def polled(link: BrokerLink, kind: type) -> list[object]:
        deadline, seen = time.monotonic() + 5.0, []
        while not any(isinstance(e, kind) for e in seen) and time.monotonic() < deadline:
            seen += link.poll(0.1)
        return [event for event in seen if isinstance(event, kind)]

    try:
        for user, act in (
            ("recorder", lambda link: link.subscribe(["platelink/v1/+/+/event"])),
            ("shop/unit-1", lambda link: link.publish("platelink/v1/shop/unit-1/event", b"one")),
        ):
            link = link_to(service.settings(user), client_id="platelink-recorder-night")
            link.connect()
            polled(link, Connected)
            act(link)
            for _ in range(5):
                link.poll(0.1)
            link.close()
        assert broker_finding().health == "ok"
        link = link_to(service.settings("recorder"), client_id="platelink-recorder-night")
        link.connect()
        assert [event.payload for event in polled(link, Received)] == [b"one"]
        link.close()
        lock = WriterLock(journal, RECORDER)
        assert "left to the recorder" in broker_finding().measured
        lock.release()
    finally:
        service.stop()


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
        finding = fault("port", BrokerError(text))
        assert finding.advice in ("stop that program", "try it") and finding.health == "wrong"
    assert fault("x", BrokerError("bare")).measured == "bare"


# --- readings, paths, and the last word -----------------------------------------------------------

READING = Reading(
    irradiance_mw_cm2=0.0, vacuum_kpa=0.1, oven_c=58.0, head_c=24.0, water_c=None, inputs=3,
    quality=[],
)  # fmt: skip


@pytest.mark.parametrize(
    ("sick", "subject", "words"),
    [
        ({"quality": ["vacuum_range"], "vacuum_kpa": None}, "vacuum", "out of range"),
        ({"quality": ["vacuum_implausible"]}, "vacuum", "a pressure below zero"),
        ({"quality": ["oven_range"], "oven_c": None}, "oven", "out of range"),
        ({"quality": ["oven_missing"], "oven_c": None}, "oven", "the device does not have it"),
        ({"quality": ["water_missing"]}, "water", "the device does not have it"),
        ({"quality": ["light_at_floor"]}, "light", "0 counts"),
        ({"quality": ["light_saturated"]}, "light", "full scale"),
        ({"head_c": 137.0}, "head", "137 °C"),
        ({"head_c": 80.1}, "head", "80 °C"),
        ({"head_c": -21.0}, "head", "-21 °C"),
    ],
)
def test_readings_that_cannot_be_are_judged(sick: dict, subject: str, words: str) -> None:
    status = STATUS | {"link": LINK | {"state": "up"}, "reading": READING.model_dump() | sick}
    found = list(_by_daemon(loads(MINIMAL), Status.model_validate(status)))
    (wrong,) = [one for one in found if one.health == "wrong"]
    assert wrong.subject == subject and words in wrong.measured and wrong.advice
    assert "[[light.channel]]" in wrong.advice if subject == "light" else True


def test_good_readings_are_told_and_those_not_there_are_not() -> None:
    assert states(list(judged(loads(MINIMAL), READING))) == {"oven air": "ok", "vacuum": "ok"}
    first = READING.model_copy(update={"quality": ["first", "gap", "restarted"]})
    assert "wrong" not in states(list(judged(loads(MINIMAL), first))).values()
    assert list(judged(loads(MINIMAL), None)) == []


def test_a_device_that_every_exposure_is_refused_for_is_wrong_though_the_link_is_up() -> None:
    text = "the device converts 12 bits, the configuration says 10; correct [unit] adc_bits"
    found = list(_by_daemon(loads(MINIMAL), Status.model_validate(STATUS | {"problem": text})))
    (wrong,) = [one for one in found if one.health == "wrong"]
    assert "12 bits" in wrong.measured and wrong.advice == "correct [unit] adc_bits"


def test_a_file_that_cannot_be_written_is_wrong(tmp_path: Path, monkeypatch) -> None:
    there, folder = tmp_path / "there.sqlite", tmp_path / "no"
    there.touch()
    assert list(findings.writable("recorder", there)) == []
    assert list(findings.writable("recorder", tmp_path / "new.sqlite")) == []
    (missing,) = findings.writable("recorder", folder / "new.sqlite")
    assert (
        missing.measured == f"directory {folder} does not exist" and str(folder) in missing.advice
    )
    (wrong,) = findings.writable("recorder", tmp_path)
    assert "is a directory" in wrong.measured
    monkeypatch.setattr(findings.os, "access", lambda path, mode: False)  # root may do all
    for path in (there, tmp_path / "new.sqlite"):
        (refused,) = findings.writable("recorder", path)
        assert refused.health == "wrong" and "by this user" in refused.measured


def test_a_recorders_path_is_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "recorder.toml"
    path.write_text(
        'format = 1\n[broker]\nhost = "127.0.0.1"\nport = 1\n[store]\nurl = "http://127.0.0.1:1"\n'
        f'bucket = "b"\norg = "o"\n[recorder]\npath = "{tmp_path}/no/r.sqlite"\n'
    )
    found = list(examine(path, recorder=True, quick=True))
    assert "recorder" in {one.subject for one in found if one.health == "wrong"}, found


def test_the_last_word_is_what_to_do_next() -> None:
    fine = Finding("clock", "ok", "synchronised")
    notice = Finding("disk", "notice", "0.5 GB free", advice="free disk space")
    cause = Finding("port", "wrong", "no device", advice="plug the unit in")
    after = Finding("device", "wrong", "silent", advice="check its supply")
    daemon = Finding("daemon", "ok", "answers")
    assert last_word([fine]) == "nothing is wrong; next: platelink serve"
    assert last_word([fine, daemon]) == "nothing is wrong; next: platelink plate make RECIPE"
    assert last_word([fine, notice]) == "nothing is wrong; next: disk: free disk space"
    bad = Finding("config", "wrong", "the file says nonsense")
    assert last_word([bad, notice]) == "wrong: 1 of 2; next: config: the file says nonsense"
    assert last_word([notice, cause, after]) == "wrong: 2 of 3; next: port: plug the unit in"


def test_a_daemon_of_another_user_is_told_in_plain_words(tmp_path: Path, monkeypatch) -> None:
    class Forbidden:
        def __init__(self, family: int) -> None: ...
        def __enter__(self) -> Forbidden:
            return self

        def __exit__(self, *_: object) -> None: ...
        def setblocking(self, flag: bool) -> None: ...
        def connect(self, path: str) -> None:
            raise PermissionError

    assert "no daemon answers" in reach.nobody(tmp_path / "socket")
    monkeypatch.setattr(reach.socket, "socket", Forbidden)
    assert not reach.answers(tmp_path / "socket")
    assert "another user's" in reach.nobody(tmp_path / "socket")
    assert "sudo -u" in reach.nobody(tmp_path / "socket")


def test_people_who_are_lost_are_found(tmp_path: Path) -> None:
    from api.test_people_lost import remembering

    file, journal = tmp_path / "people.sqlite", tmp_path / "journal.sqlite"
    assert findings.people(file, journal).health == "ok"
    remembering(journal)
    lost = findings.people(file, journal)
    assert lost.health == "wrong" and "is missing" in lost.measured and "restore" in lost.advice
    campaign.make_people(file)
    assert "2 people" in findings.people(file, journal).measured
    file.write_bytes(b"\xff" * 5000)
    assert findings.people(file, journal).health == "wrong"
