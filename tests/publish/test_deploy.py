"""The files of deploy/: one source with what the package ships, and fit for their programs."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from platelink.publish.services import broker_configuration, store_arguments

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
UNITS = sorted(DEPLOY.glob("*.service"))


@pytest.mark.parametrize("name", ["mosquitto.conf", "victoria-metrics.args"])
def test_shipped_file_is_the_deployed_one(name):
    shipped = ROOT / "platelink" / "publish" / "data" / name
    assert shipped.read_bytes() == (DEPLOY / name).read_bytes()


def test_children_differ_from_the_deployed_services_only_in_place(tmp_path):
    deployed = (DEPLOY / "mosquitto.conf").read_text().splitlines()
    own = broker_configuration(4711, tmp_path).splitlines()
    assert [(a, b) for a, b in zip(deployed, own, strict=False) if a != b] == [
        ("listener 1883 127.0.0.1", "listener 4711 127.0.0.1"),
        ("persistence_location /var/lib/mosquitto/", f"persistence_location {tmp_path}/"),
    ]
    assert [line.split()[0] for line in own[len(deployed) :]] == ["user"]
    flags = dict(flag.split("=") for flag in store_arguments(4712, tmp_path))
    assert flags.pop("-httpListenAddr") == "127.0.0.1:4712"
    assert flags.pop("-storageDataPath") == str(tmp_path)
    for name, value in flags.items():
        assert f"{name}={value}" in (DEPLOY / "victoria-metrics.args").read_text().splitlines()
    assert len(flags) == 3


def test_broker_keeps_what_it_acknowledged_and_drops_nothing():
    """From trials: other settings lost hundreds of acknowledged messages over a kill."""
    settings = dict(
        line.split(" ", 1)
        for line in (DEPLOY / "mosquitto.conf").read_text().splitlines()
        if line and not line.startswith("#")
    )
    assert settings["persistence"] == "true"
    assert (settings["autosave_on_changes"], settings["autosave_interval"]) == ("true", "1")
    assert settings["max_queued_messages"] == settings["max_queued_bytes"] == "0"  # no limit


def test_there_are_units_for_daemon_page_and_recorder():
    assert [unit.name for unit in UNITS] == [
        "platelink-page.service", "platelink-recorder.service", "platelink.service",
    ]  # fmt: skip


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_unit_is_valid_and_hardened(unit, tmp_path):
    text = unit.read_text("utf-8")
    for line in ("DynamicUser=yes", "NoNewPrivileges=yes", "ProtectSystem=strict", "UMask=0027"):
        assert line in text.splitlines()
    start = r"^ExecStart=/opt/platelink/bin/platelink --config \S+ (serve|page|recorder)$"
    assert re.search(start, text, re.M)
    analyze = shutil.which("systemd-analyze")
    if analyze is None:  # then at least every line is a section, a setting or a comment
        for line in text.splitlines():
            assert re.fullmatch(r"|#.*|\[(Unit|Service|Install)\]|[A-Za-z]+=.*", line), line
        return
    copy = tmp_path / unit.name  # the program itself is not installed here
    copy.write_text(re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.M))
    done = subprocess.run(
        [analyze, "verify", str(copy)], capture_output=True, text=True, check=False, timeout=30
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_rules_give_every_known_board_the_fixed_name():
    """Each line is matches and assignments; every label that is jumped to exists."""
    text = (DEPLOY / "60-platelink.rules").read_text("utf-8")
    rules = [line for line in text.splitlines() if line and not line.startswith("#")]
    item = r'[A-Z]+(\{[A-Za-z_]+\})?(==|!=|\+=|=)"[^"]*"'
    for rule in rules:
        for part in rule.split(", "):
            assert re.fullmatch(item, part), part
    labels = re.findall(r'LABEL="(\w+)"', text)
    assert set(re.findall(r'GOTO="(\w+)"', text)) == set(labels)
    boards = [r for r in rules if "ATTRS{idVendor}" in r]
    assert len(boards) == 5 and all(r.endswith('GOTO="platelink_board"') for r in boards)
    for vendor in re.findall(r'ATTRS\{id\w+\}=="([^"]*)"', text):
        assert re.fullmatch(r"[0-9a-f]{4}", vendor)
    assert 'SYMLINK+="platelink"' in rules[rules.index('LABEL="platelink_board"') + 1]
