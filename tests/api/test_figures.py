"""Figures and health of a unit's service: what they say in which world, and what they never say."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families
from whole_documents import LIGHT, LINK, STATUS, alarm, plate_now

from api.api_shop import Shop, record, shop
from platelink.api.lately import Lately
from platelink.record.backed_up import BackedUp, note_backup

PUBLISHER = {"connected": False, "pending": 7, "lag_s": 12.5, "problem": "no broker"}


def told(this: Shop, **more: Any) -> None:
    this.hub.broadcast(json.dumps({"status": STATUS | more}).encode() + b"\n")


def figures(this: Shop) -> dict[tuple[str, ...], float]:
    """By name and values of labels, as anybody at the port reads them."""
    with this.browser() as browser:
        answer = browser.get("/v1/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    return {
        (s.name, *(v for k, v in sorted(s.labels.items()) if k not in ("site", "unit"))): s.value
        for family in text_string_to_metric_families(answer.text)
        for s in family.samples
    }


def test_the_unit_in_figures(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this:
        told(
            this, link=LINK | {"frames_lost": 3}, publisher=PUBLISHER,
            light=LIGHT | {"state": "on"}, plates=[plate_now("P-secret")],
            alarms={"unacknowledged": 1, "per_hour": 1, "flood": False,
                    "list": [alarm("contact lost", who="Ada Invented")]},
        )  # fmt: skip
        found = figures(this)
    wanted = {
        ("platelink_unit_link_up",): 1.0, ("platelink_unit_frames_lost_total",): 3.0,
        ("platelink_unit_light_on",): 1.0, ("platelink_unit_plates_in_progress",): 1.0,
        ("platelink_unit_alarm", "contact lost", "high", "unacknowledged"): 1.0,
        ("platelink_unit_alarms_unacknowledged",): 1.0,
        ("platelink_unit_publisher_connected",): 0.0,
        ("platelink_unit_publisher_lag_seconds",): 12.5,
    }  # fmt: skip
    assert {key: found[key] for key in wanted} == wanted
    free = shutil.disk_usage(tmp_path).free
    assert found["platelink_unit_disk_free_bytes",] == pytest.approx(free, rel=0.2)
    assert found["process_resident_memory_bytes",] > 1e6
    assert not [key for key in found if "secret" in str(key) or "Invented" in str(key)]


def test_a_backup_is_as_old_as_the_newest_that_is_known(tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite"
    name = ("platelink_unit_backup_timestamp_seconds",)
    with shop(tmp_path) as this:
        assert name not in figures(this)
        for made_utc, at in (("2026-03-02T01:00:00+00:00", 1772413200.0), ("0001-01-01", None)):
            note_backup(journal, BackedUp("j", 1, made_utc, "/elsewhere"))
            assert figures(this).get(name) == at


def test_an_old_status_is_no_status(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with shop(tmp_path) as this:
        told(this)
        monkeypatch.setattr(this.hub, "age_s", lambda: 5.1)
        found = figures(this)
        assert found["platelink_unit_status_age_seconds",] == 5.1
        assert ("platelink_unit_link_up",) not in found
        assert health(this)[0] == 503


def test_a_daemon_that_never_said_anything_is_as_old_as_the_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else no rule would call: there would be no figure of it."""
    with shop(tmp_path) as this:
        age_s = figures(this)["platelink_unit_status_age_seconds",]
        assert 0.0 <= age_s < 60.0  # not since this computer began
        monkeypatch.setattr("platelink.api.hub.time.monotonic", lambda t=time.monotonic: t() + 90)
        found = figures(this)
    assert found["platelink_unit_status_age_seconds",] == pytest.approx(age_s + 90.0, abs=30.0)
    assert not [key for key in found if key[0] == "platelink_unit_link_up"]


def test_light_that_is_not_known_has_no_value(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        told(this, light=LIGHT | {"state": "unknown"})
        assert ("platelink_unit_light_on",) not in figures(this)
        told(this)
        assert figures(this)["platelink_unit_light_on",] == 0.0


def health(this: Shop) -> tuple[int, list[str]]:
    with this.browser() as browser:
        answer = browser.get("/v1/health")
    body = answer.json()
    assert body["ok"] == (answer.status_code == 200) == (not body["problems"])
    return answer.status_code, body["problems"]


def test_health_says_what_is_the_matter(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        assert health(this)[0] == 503
        told(this)
        assert health(this) == (200, [])
        told(this, link=LINK | {"state": "lost", "text": "nothing for 3 s"},
             journal={"pending": 2, "fault": "disk full"}, publisher=PUBLISHER)  # fmt: skip
        status, problems = health(this)
        assert status == 503
        assert problems == [
            "link to the device: nothing for 3 s", "journal: disk full", "broker: no broker",
        ]  # fmt: skip
        told(
            this, service={"port": 1, "pid": 2, "problem": "the lane for hold, stop and abort: no"}
        )
        assert health(this) == (503, ["service: the lane for hold, stop and abort: no"])
        told(this, alarms={"unacknowledged": 1, "per_hour": 1, "flood": False,
                           "list": [alarm("contact lost")]})  # fmt: skip
        assert health(this) == (200, [])


@pytest.mark.skipif(shutil.which("promtool") is None, reason="needs: apt-get install prometheus")
def test_prometheus_itself_finds_no_fault_with_the_text(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path) as this, this.browser() as browser:
        told(this, publisher=PUBLISHER)
        text = browser.get("/v1/metrics").text
    done = subprocess.run(
        ["promtool", "check", "metrics"], input=text, check=False, capture_output=True, text=True
    )
    assert done.returncode == 0 and not done.stderr.replace("\n", ""), done.stderr


def test_what_is_dear_is_asked_for_seldom(monkeypatch: pytest.MonkeyPatch) -> None:
    now, asked = [0.0], []
    monkeypatch.setattr("platelink.api.lately.time.monotonic", lambda: now[0])
    kept = Lately[int]()
    for at in (0.0, 599.0, 601.0, 1000.0):
        now[0] = at
        kept.of(lambda at=at: asked.append(at) or 1)  # type: ignore[misc]
    assert asked == [0.0, 601.0]
