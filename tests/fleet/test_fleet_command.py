"""``platelink fleet`` as people and programs read it."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cli.cli_runs import run
from fleet.fleet_links import Script
from fleet.fleet_words import DARK, LIT, SITE, word

from platelink.publish import links
from platelink.publish.broker import Received
from platelink.publish.messages import LAST_WORD
from platelink.publish.topics import Topics


@pytest.fixture
def config(tmp_path: Path) -> str:
    file = tmp_path / "platelink.toml"
    file.write_text('format = 1\n[broker]\nhost = "broker.example"\n', encoding="utf-8")
    return str(file)


def said(unit: str, payload: bytes, *, retained: bool = True) -> Received:
    return Received(Topics(SITE, unit).status, payload, 1, 1, retained)


def now() -> datetime:
    return datetime.now(UTC)


def units() -> Script:
    worst = {"name": "contact lost", "priority": "high", "next_act": "find the leak"}
    alarms = {"unacknowledged": 2, "acknowledged": 0, "worst": worst}
    plate = {"plate": "P-0815", "step": "rinse", "step_state": "running", "overdue": True}
    return Script([
        said("unit-1", word("unit-1", at_utc=now())),
        said("unit-2", word("unit-2", at_utc=now(), pending=4200, behind_s=604800.0, detail=DARK | {
            "exposure": "held", "alarms": alarms, "plates": [plate],
            "overdue": ["plate P-0815: rinse"]})),
        said("unit-3", word("unit-3", order=(5, LAST_WORD), state="offline")),
        said("unit-4", word("unit-4", at_utc="2026-03-01T12:00:00Z", detail=LIT)),
        said("unit-5", b"\x1b[2Jnonsense"),
    ])  # fmt: skip


def test_the_table_shows_every_sign(monkeypatch: pytest.MonkeyPatch, config: str) -> None:
    monkeypatch.setattr(links, "link_to", units())
    result = run("--config", config, "fleet", "--wait", "0")
    assert result.exit_code == 0, result.stderr
    named = [line for line in result.stdout.splitlines() if line.startswith(f"{SITE}/")]
    lines = {line.split()[0].partition("/")[2]: line for line in named}
    assert "online" in lines["unit-1"] and "LIT" in lines["unit-1"]
    two = lines["unit-2"]
    for sign in ("dark", "HIGH: contact lost and 1 more", "HELD", "P-0815: rinse running",
                 "plate P-0815: rinse", "4200 entries, oldest 7 days"):  # fmt: skip
        assert sign in two
    assert "offline" in lines["unit-3"] and "LIT" not in lines["unit-3"]
    assert "was lit; now not known" in lines["unit-4"] and "LIT" not in lines["unit-4"]
    assert "not known yet, last word 2026-03-01" in lines["unit-4"]
    assert "unreadable" in lines["unit-5"] and "\x1b" not in result.stdout
    assert "5 units  1 lit  1 held  1 alarmed  1 overdue  1 offline  2 not known" in result.stdout
    assert "1 messages were not understood" in result.stdout


def test_json_has_what_the_table_has(monkeypatch: pytest.MonkeyPatch, config: str) -> None:
    monkeypatch.setattr(links, "link_to", units())
    result = run("--config", config, "fleet", "--wait", "0", "--json")
    told = json.loads(result.stdout)
    assert (told["problem"], told["refused"]) == ("", 1)
    assert [unit["presence"] for unit in told["units"]] == [
        "online", "online", "offline", "unsure", "unreadable",
    ]  # fmt: skip
    assert [unit["lit"] for unit in told["units"]] == [True, False, None, None, None]
    assert told["units"][3]["since_utc"] == "2026-03-01T12:00:00+00:00"


def test_it_ends_as_soon_as_every_unit_is_known(
    monkeypatch: pytest.MonkeyPatch, config: str
) -> None:
    monkeypatch.setattr(links, "link_to", Script([said("unit-1", word("unit-1", at_utc=now()))]))
    begun = time.monotonic()
    assert run("--config", config, "fleet", "--wait", "600").exit_code == 0
    assert time.monotonic() - begun < 300.0


def test_a_broker_that_cannot_be_reached_is_an_error(
    monkeypatch: pytest.MonkeyPatch, config: str
) -> None:
    from platelink.cli import fleet

    monkeypatch.setattr(links, "link_to", Script())
    monkeypatch.setattr(fleet, "ANSWER_S", 0.2)
    result = run("--config", config, "fleet")
    assert result.exit_code == 1
    assert "nothing is heard of any unit: broker not reachable" in result.stderr


def test_without_a_broker_section_it_says_what_is_missing(tmp_path: Path) -> None:
    file = tmp_path / "platelink.toml"
    file.write_text("format = 1\n", encoding="utf-8")
    result = run("--config", str(file), "fleet")
    assert result.exit_code == 2 and "broker" in result.stderr


def test_one_unit_of_an_impossible_time_hides_no_other(
    monkeypatch: pytest.MonkeyPatch, config: str
) -> None:
    for zone in ("America/New_York", "Asia/Tokyo"):
        with monkeypatch.context() as there:
            there.setattr(links, "link_to", Script([
                said("unit-1", word("unit-1", at_utc=now())),
                said("unit-2", word("unit-2", at_utc="0001-01-01T00:00:00Z")),
                said("unit-3", word("unit-3", at_utc="9999-12-31T23:59:59.999999Z")),
            ]))  # fmt: skip
            there.setenv("TZ", zone)
            time.tzset()
            told = run("--config", config, "fleet", "--wait", "0")
        time.tzset()
        assert told.exit_code == 0 and "LIT" in told.stdout, told.output
        assert told.stdout.count("cannot be") == 3  # in its line each, and the last one below
