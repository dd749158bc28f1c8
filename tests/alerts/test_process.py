"""The whole process beside a real journal: kills, slow and dead servers, people who leave."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alerts.alert_servers import Web, web
from cli.cli_runs import MINIMAL, run
from damage.campaign import QUICK
from record.make import event, journal_at, start

from platelink.alerts.journal import AlarmJournal, summary_between
from platelink.alerts.outbox import Way
from platelink.alerts.process import AlertsProcess
from platelink.alerts.store import AlertsStore
from platelink.alerts.wording import Message
from platelink.config.load import load
from platelink.contract.words import Role
from platelink.doctor.alerts import alerts as looked_at
from platelink.events.steps import StepMoved
from platelink.events.unit import AlarmMoved
from platelink.ledger.by import By, to_ms
from platelink.ledger.errors import StoreUnusable
from platelink.people.store import People
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import RunEnd

ALERTS = """
[alerts]
time_zone = "Europe/Berlin"
page = "https://plates.example/"
gather_s = 0
[[alerts.person]]
name = "Ruth"
over = true
[[alerts.person.way]]
name = "hook"
address = "json://ruth:sesame-41@{place}/hook"
[[alerts.shift]]
name = "always"
people = ["Ruth"]
delay_s = 0
"""


@pytest.fixture
def server() -> Iterator[Web]:
    with web() as found:
        yield found


@pytest.fixture
def config(tmp_path: Path, server: Web) -> Path:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL + ALERTS.format(place=server.place), "utf-8")
    return path


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with journal_at(tmp_path / "journal.sqlite") as found:
        yield found


def moved(journal: Journal, alarm: str, to: str, act: str, *, at: datetime | None = None) -> None:
    at = at or datetime.now(UTC)
    told = AlarmMoved(alarm, "high", "contact", "normal", to, act, 41.0, 60.0, "kPa", to_ms(at),
                      None, True, None, None)  # fmt: skip
    journal.append(event(journal, None, at=at, name="alarm", data=told.data()))


def begun(config: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "platelink", "--config", str(config), "alerts"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=dict(os.environ),
    )  # fmt: skip


def wait_for(what, seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until
        time.sleep(0.05)


@pytest.mark.system
def test_kill_9_between_sending_and_noting_sends_again_and_says_so(
    config: Path, journal: Journal, server: Web
) -> None:
    first = begun(config)
    try:
        wait_for((config.parent / "alerts.sqlite").exists)
        server.delay_s = 3.0
        moved(journal, "contact lost", "unacknowledged", "raised")
        wait_for(server.arrived.is_set)
    finally:
        first.kill()
        first.communicate()
    server.delay_s = 0.0
    moved(journal, "gauge silent", "unacknowledged", "raised")  # while nobody looks
    second = begun(config)
    try:
        wait_for(lambda: "gauge silent" in "".join(server.bodies))
        time.sleep(1.0)
    finally:
        second.send_signal(signal.SIGTERM)
        _, said = second.communicate(timeout=30)
    assert second.returncode == 0, said
    told = [json.loads(body) for body in server.bodies]
    assert told[0]["title"] == "unit-1: contact lost"
    again = [one for one in told[1:] if "contact lost" in one["title"] + one["message"]]
    assert (
        len(again) == 1 and "Sent again: a try before may have reached you." in again[0]["message"]
    )
    assert "sesame-41" not in said + "".join(one["message"] for one in told)


class Attempts:
    """Ways that take, or do not, without a process."""

    def __init__(self) -> None:
        self.problem: str | None = ""
        self.made: list[Message] = []

    def __call__(self, address: str, message: Message) -> Attempts:
        assert address.startswith("json://ruth:")
        self.made.append(message)
        return self

    def outcome(self) -> str | None:
        return self.problem

    def end(self) -> None:
        pass


@pytest.fixture
def attempts() -> Attempts:
    return Attempts()


@pytest.fixture
def process(config: Path, attempts: Attempts) -> Iterator[AlertsProcess]:
    said: list[str] = []
    made = AlertsProcess(load(config), said.append, attempt=attempts)
    made.said = said  # type: ignore[attr-defined]
    yield made
    made.close()


def test_it_waits_for_the_journal_and_says_so_once(process, attempts, tmp_path: Path) -> None:
    for _ in range(3):
        process.step()
    assert len([line for line in process.said if "nothing is recorded there yet" in line]) == 1
    with journal_at(tmp_path / "journal.sqlite") as journal:
        process._reopen_at = 0.0
        process.step()
        moved(journal, "contact lost", "unacknowledged", "raised")
        process.step()
        process.step()
    assert [message.title for message in attempts.made] == ["unit-1: contact lost"]
    assert process.said[-1] == "journal: well again"


def test_what_fails_is_said_and_tried_again(process, attempts, journal: Journal) -> None:
    process.step()
    attempts.problem = "connection refused"
    moved(journal, "contact lost", "unacknowledged", "raised")
    process.step(), process.step(), process.step()
    assert process.said[-1] == "Ruth, hook: connection refused"
    assert len(attempts.made) == 1  # the next after a pause


def test_a_person_who_has_left_is_not_told(
    process, attempts, journal: Journal, tmp_path: Path
) -> None:
    with People.open(tmp_path / "people.sqlite", hashing=QUICK) as people:
        by = By("Lena", datetime.now(UTC), "left")
        people.add_first("Lena", "4711-oak-tree", by)
        people.add("Ruth", Role.OPERATOR, "8899-elm-tree", by)
        people.close_person("Ruth", by)
    process.step()
    moved(journal, "contact lost", "unacknowledged", "raised")
    process.step(), process.step()
    assert attempts.made == []


def test_a_second_process_is_refused(process, config: Path) -> None:
    with pytest.raises(StoreUnusable, match="one unit has one platelink alerts"):
        AlertsProcess(load(config), print)


def test_a_journal_that_is_replaced_is_opened_anew(process, attempts, tmp_path: Path) -> None:
    with journal_at(tmp_path / "journal.sqlite") as journal:
        moved(journal, "contact lost", "unacknowledged", "raised")
        process.step(), process.step()
    assert len(attempts.made) == 1
    for path in tmp_path.glob("journal.sqlite*"):
        path.rename(path.with_name("old-" + path.name))
    with Journal.open(tmp_path / "journal.sqlite", unit="unit-1", new_uuid="other",
                      ballast_bytes=4096) as journal:  # fmt: skip
        process.step()
        moved(journal, "gauge silent", "unacknowledged", "raised")
        process.step(), process.step()
    assert "gauge silent" in attempts.made[-1].title


def test_the_run_ends_when_it_is_asked_to(process) -> None:
    stop = threading.Event()
    stop.set()
    process.run(stop)


# --- what the journal tells -----------------------------------------------------------------------


def test_an_alarm_tells_the_plate_that_it_may_concern(journal: Journal) -> None:
    begin = {"request": {"kind": "plate"}, "plate": "P-1", "step": "plate"}
    journal.append(start(journal, "P-1", **begin))
    journal.append(start(journal, "P-2", **(begin | {"plate": "P-2"})))
    journal.append(start(journal, "e-1", plate="P-2"))
    moved(journal, "contact lost", "unacknowledged", "raised")
    with JournalReader.open(journal.reader.path) as reader:
        moves, upto = AlarmJournal(reader).moves_after(0, 100)
    assert [(one.move.alarm, one.move.plates) for one in moves] == [("contact lost", ("P-2",))]
    assert upto == 4


def test_entries_of_another_release_are_passed_over(journal: Journal) -> None:
    moved(journal, "contact lost", "frozen", "raised")
    journal.append(event(journal, None, name="alarm", data={"alarm": 7}))
    journal.append(event(journal, None, name="alarm flood", data={"active": True, "count": 11}))
    with JournalReader.open(journal.reader.path) as reader:
        assert AlarmJournal(reader).moves_after(0, 100) == ([], 3)
        assert AlarmJournal(reader).moves_after(0, 2) == ([], 2)


def test_the_facts_of_a_day(config: Path, journal: Journal, tmp_path: Path) -> None:
    noon = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)

    def plate(name: str, state: str, judgement: str | None, at: datetime, held: bool = False):
        begin = {"request": {"kind": "plate"}, "plate": name, "step": "plate"}
        journal.append(start(journal, name, at, **begin))
        count = 0
        if held:
            for i, (was, to) in enumerate((("holding", "held"), ("held", "restarting"))):
                step = StepMoved(0, "film", "expose", "bed", was, to, "x", None, "", None)
                journal.append(event(journal, name, at=at + timedelta(minutes=1 + 4 * i),
                                     name=step.name, data=step.data()))  # fmt: skip
                count += 1
        journal.append(RunEnd(id=journal.next_id(), unit="unit-1", at_utc=at + timedelta(minutes=9),
                              run_id=name, state=state, reason="r", samples=0, events=count,
                              data={"judgement": judgement}))  # fmt: skip

    plate("P-0", "complete", "good", noon - timedelta(days=2))
    plate("P-1", "complete", "good", noon, held=True)
    plate("P-2", "complete", "reject", noon)
    plate("P-3", "stopped", None, noon)
    plate("P-4", "complete", None, noon)
    day_ms = 86_400_000
    begin_ms = to_ms(noon) - day_ms // 2
    store = AlertsStore.open(tmp_path / "alerts.sqlite")
    try:
        with JournalReader.open(journal.reader.path) as reader:
            found = summary_between(load(config), reader, store, from_ms=begin_ms,
                                    until_ms=begin_ms + day_ms, today=noon.date())  # fmt: skip
    finally:
        store.close()
    assert (found.complete, found.good, found.rejected, found.broken_off) == (3, 1, 1, 1)
    assert found.held_s == 240.0
    assert found.burn_h is None and found.due == () and found.alarms == ()


# --- configuration, command line and doctor -------------------------------------------------------


def test_the_check_tells_who_is_not_there(config: Path, tmp_path: Path) -> None:
    assert run("config", "check", config).exit_code == 0
    with People.open(tmp_path / "people.sqlite", hashing=QUICK) as people:
        people.add_first("Lena", "4711-oak-tree", By("Lena", datetime.now(UTC)))
    found = run("config", "check", config)
    assert found.exit_code == 1
    assert "alerts.person[0].name : there is no such person at this unit" in found.stdout
    config.write_text(config.read_text().replace("over = true", 'language = "xx"'))
    assert "choose one of en, de" in run("config", "check", config).stdout


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('people = ["Ruth"]', "people = []", "alerts.shift[0].people"),
        ('people = ["Ruth"]', 'people = ["Omar"]', "there is no [[alerts.person]] 'Omar'"),
        ("delay_s = 0", 'priority = "urgent"', "alerts.shift[0].priority"),
        ("delay_s = 0", 'begins = "25:00"', "must be a time of day"),
        ("delay_s = 0", 'days = ["someday"]', "alerts.shift[0].days"),
        ("Europe/Berlin", "Mars/Base", "must be a time zone"),
        ("https://plates.example/", "plates.example", "alerts.page"),
        ("https://plates.example/", "https://u:p@plates.example/", "alerts.page"),
        ("over = true", 'leave = ["2026-12-24 to 2026-12-01"]', "lies before the first"),
        ("over = true", 'leave = ["xmas"]', "must be a day, or two days"),
        ('name = "hook"', 'name = "hook"\naddress_env = "X"', "give one of address"),
        ("[[alerts.shift]]", '[[alerts.person]]\nname = "Ruth"\n[[alerts.shift]]', "there twice"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(config: Path, old: str, new: str, said: str) -> None:
    config.write_text(config.read_text().replace(old, new))
    found = run("config", "check", config)
    assert found.exit_code == 1 and said in found.stdout
    assert "sesame" not in found.stdout


def test_secrets_are_never_shown(config: Path) -> None:
    for shown in (run("config", "show", config), run("config", "show", config, "--json")):
        assert shown.exit_code == 0
        assert "sesame" not in shown.stdout and "(hidden)" in shown.stdout
    config.write_text(config.read_text().replace("address =", "adress ="))
    assert "sesame" not in run("config", "check", config).stdout


def test_an_address_is_read_from_a_file_or_the_environment(
    config: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    text = config.read_text()
    line = next(line for line in text.splitlines() if line.startswith("address"))
    config.write_text(text.replace(line, 'address_file = "way"'))
    (tmp_path / "way").write_text("json://one\n")
    assert load(config).alerts.person[0].way[0].secret() == "json://one"
    config.write_text(text.replace(line, 'address_env = "WAY_RUTH"'))
    way = load(config).alerts.person[0].way[0]
    monkeypatch.setenv("WAY_RUTH", "json://two")
    assert way.secret() == "json://two"
    monkeypatch.delenv("WAY_RUTH")
    found = run("--config", config, "alerts", "test", "--to", "Ruth")
    assert found.exit_code == 1
    assert "environment variable WAY_RUTH is not set" in found.stdout


@pytest.mark.system
def test_a_test_message_says_what_came_of_it(config: Path, server: Web) -> None:
    found = run("--config", config, "alerts", "test", "--to", "Ruth")
    assert found.exit_code == 0 and "taken; ask whether it arrived" in found.stdout
    assert "This is a test, no alarm." in server.bodies[0]
    server.status = 500
    failed = run("--config", config, "alerts", "test", "--to", "Ruth", "--json")
    assert failed.exit_code == 1
    assert "500" in json.loads(failed.stdout)["ways"][0]["problem"]
    nobody = run("--config", config, "alerts", "test", "--to", "Omar")
    assert nobody.exit_code == 2 and "there are: Ruth" in nobody.stderr


def test_without_a_section_it_says_what_to_write(config: Path) -> None:
    config.write_text(MINIMAL)
    found = run("--config", config, "alerts")
    assert found.exit_code == 2 and "has no [alerts]" in found.stderr
    assert [one.health for one in looked_at(load(config))] == ["left out"]


def texts(config: Path) -> str:
    return "\n".join(
        f"{one.health} {one.measured} | {one.advice}" for one in looked_at(load(config))
    )


@pytest.mark.system
def test_the_doctor_looks_at_people_hours_ways_and_the_process(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = texts(config)
    assert "wrong platelink alerts does not run" in said
    assert "nobody hears" not in said
    text = config.read_text()
    config.write_text(text.replace("delay_s = 0", 'days = ["mon","tue","wed","thu","fri","sat"]'))
    assert "notice nobody hears high alarms on Sun" in texts(config)
    config.write_text(text.replace("json://", "nonsense://"))
    assert "Ruth by hook: Apprise does not take this address" in texts(config)
    more = '[[alerts.person]]\nname = "Omar"\n[[alerts.shift]]'
    config.write_text(text.replace("[[alerts.shift]]", more))
    assert "wrong Omar has no way to be reached" in texts(config)
    monkeypatch.setattr("platelink.doctor.alerts.installed", lambda: False)
    assert "pip install -c deploy/constraints.txt '.[alerts]'" in texts(config)


def test_the_doctor_tells_what_waits_and_when_a_way_last_worked(
    config: Path, process, attempts, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platelink.doctor.alerts.send_now", lambda *_: "")
    process.step()
    assert "notice Ruth by hook: no message went out by it yet" in texts(config)
    moved(journal, "contact lost", "unacknowledged", "raised")
    attempts.problem = "connection refused"
    process.step(), process.step()
    assert "wrong Ruth by hook: the last try failed: connection refused; 1 wait" in texts(config)
    process._teller._states.clear()
    attempts.problem = ""
    process.step(), process.step()
    assert texts(config).startswith("ok 1 people are notified")
    store = process._store
    store._db.execute("UPDATE ways SET well_ms = well_ms - 9 * 86400000")
    assert "notice Ruth by hook: the last message went out 9 days ago" in texts(config)
    assert [row.way for row in store.ways()] == [Way("Ruth", "hook")]


def test_the_configuration_of_the_document_is_taken(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "docs/alerts.md").read_text("utf-8")
    section = text.split("<!-- alerts configuration -->\n```toml\n")[1].split("```")[0]
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL + section, "utf-8")
    found = run("config", "check", path)
    assert (found.exit_code, found.stdout) == (
        0,
        f"{path}: 0 problems, 0 notices\nnext: platelink doctor\n",
    )
