"""The files of deploy/: one source with what the package ships, and fit for their programs."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from platelink.publish.intake import PAYLOAD_LIMIT
from platelink.publish.services import broker_configuration, store_arguments

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
KIOSK = DEPLOY / "platelink-kiosk.service"
NIGHTLY = DEPLOY / "platelink-backup.service"
UNITS = sorted(set(DEPLOY.glob("*.service")) - {KIOSK, NIGHTLY})


@pytest.mark.parametrize("name", ["mosquitto.conf", "mosquitto.acl", "victoria-metrics.args"])
def test_shipped_file_is_the_deployed_one(name):
    shipped = ROOT / "platelink" / "publish" / "data" / name
    assert shipped.read_bytes() == (DEPLOY / name).read_bytes()


def test_children_differ_from_the_deployed_services_only_in_place(tmp_path):
    deployed = (DEPLOY / "mosquitto.conf").read_text().splitlines()
    own = broker_configuration(4711, tmp_path).splitlines()
    differ = {(a, b) for a, b in zip(deployed, own, strict=False) if a != b}
    assert differ == {
        (text, text.replace(old, new))
        for text in deployed
        for old, new in (
            ("listener 1883 ", "listener 4711 "), ("file /etc/mosquitto", f"file {tmp_path}"),
            ("_location /var/lib/mosquitto", f"_location {tmp_path}"),
        )
        if old in text and not text.startswith("# ")
    }  # fmt: skip
    assert [line.split()[0] for line in own[len(deployed) :]] == ["user"]
    flags = dict(flag.split("=") for flag in store_arguments(4712, tmp_path))
    assert flags.pop("-httpListenAddr") == "127.0.0.1:4712"
    assert flags.pop("-storageDataPath") == str(tmp_path)
    for name, value in flags.items():
        assert f"{name}={value}" in (DEPLOY / "victoria-metrics.args").read_text().splitlines()
    assert len(flags) == 3


def settings_of(text: str) -> list[list[str]]:
    return [line.split(" ", 1) for line in text.splitlines() if line and not line.startswith("#")]


def test_broker_keeps_what_it_acknowledged_and_drops_nothing():
    """From trials: the defaults drop what waits; to save at each change is a hundredfold slower."""
    settings = dict(settings_of((DEPLOY / "mosquitto.conf").read_text()))
    assert settings["persistence"] == "true"
    assert (settings["autosave_on_changes"], settings["autosave_interval"]) == ("false", "2")
    assert settings["max_queued_messages"] == settings["max_queued_bytes"] == "0"  # no limit
    assert int(settings["max_packet_size"]) > PAYLOAD_LIMIT


def test_no_listener_lets_anybody_in_without_a_name(tmp_path):
    """What is uncommented stands under its listener: nothing after it takes it back."""
    settings = settings_of(broker_configuration(1, tmp_path, tls_port=2))
    assert settings[0] == ["per_listener_settings", "true"]
    places = [n for n, (key, *_) in enumerate(settings) if key == "listener"]
    assert len(places) == 2
    for begin, end in zip(places, [*places[1:], len(settings)], strict=True):
        part = settings[begin:end]
        of_listener = dict(part)
        keys = [key for key, *_ in part]
        assert of_listener["allow_anonymous"] == "false" and keys.count("allow_anonymous") == 1
        assert of_listener["use_username_as_clientid"] == "true"
        assert {"password_file", "acl_file"} <= set(keys)
    assert {"cafile", "certfile", "keyfile"} <= set(keys)


def test_there_are_units_for_alerts_daemon_fleet_pages_and_recorder():
    assert [unit.name for unit in UNITS] == [
        "platelink-alerts.service", "platelink-fleet-page.service", "platelink-fleet.service",
        "platelink-page.service", "platelink-recorder.service", "platelink.service",
        "vmauth.service",
    ]  # fmt: skip


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_unit_is_valid_and_hardened(unit, tmp_path):
    text = unit.read_text("utf-8")
    for line in ("DynamicUser=yes", "NoNewPrivileges=yes", "ProtectSystem=strict", "UMask=0077"):
        assert line in text.splitlines()
    # Killed for a call that is not allowed it would serve nobody: numpy asks for one (mbind).
    assert "SystemCallErrorNumber=EPERM" in text.splitlines()
    if unit.name != "vmauth.service":  # Debian's own program
        start = (
            r"^ExecStart=/opt/platelink/current/bin/platelink --config \S+ (\w+)(?: keep| page)?$"
        )
        started = re.search(start, text, re.M)
        assert started and started[1] in ("serve", "page", "recorder", "alerts", "fleet")
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


def test_the_daemon_may_do_what_its_unit_is_for():
    """Give the page's socket to its group, read passwords, open a serial adapter, be watched."""
    lines = (DEPLOY / "platelink.service").read_text("utf-8").splitlines()
    (allowed,) = [line for line in lines if "@chown" in line]
    taken = lines.index("SystemCallFilter=~@privileged @resources")
    assert lines.index(allowed) > taken  # the later line decides
    groups = next(line for line in lines if line.startswith("SupplementaryGroups="))
    assert {"dialout", "platelink-face", "platelink-secrets"} <= set(groups[20:].split())
    assert {"Type=notify", "WatchdogSec=60", "TimeoutStartSec=infinity"} <= set(lines)
    users = (DEPLOY / "platelink.sysusers").read_text("utf-8").splitlines()
    assert {"g platelink-face -", "g platelink-secrets -"} <= set(users)


def test_services_that_take_secrets_from_files_may_read_them():
    """As the installer, and what is documented, put them there: root's, for one group."""
    without = {"platelink-page.service"}  # it is told everything by its command
    for unit in UNITS:
        (groups,) = re.findall(r"^SupplementaryGroups=(.*)$", unit.read_text("utf-8"), re.M)
        assert ("platelink-secrets" in groups.split()) is (unit.name not in without), unit.name
    told = (ROOT / "docs/alerts.md").read_text("utf-8")
    assert "install -m 0640 -g platelink-secrets mail-ruth /etc/platelink/mail-ruth" in told


def test_the_nightly_backup_is_valid_and_tried(tmp_path):
    text = NIGHTLY.read_text("utf-8")
    (start,) = re.findall(r"^ExecStart=(.*)$", text, re.M)
    assert start.index("backup ") < start.index("drill ")
    # A dynamic user's state directory is below /var/lib/private.
    daemon = (DEPLOY / "platelink.service").read_text("utf-8")
    assert {"DynamicUser=yes", "StateDirectory=platelink"} <= set(daemon.splitlines())
    (writes,) = re.findall(r"^ReadWritePaths=(.*)$", text, re.M)
    assert writes.split() == ["/var/backups/platelink", "-/var/lib/private/platelink"]
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not here; it comes with Debian's package systemd")
    shutil.copy(DEPLOY / "platelink-backup.timer", tmp_path)
    shutil.copy(NIGHTLY, tmp_path)
    done = subprocess.run(
        [analyze, "verify", str(tmp_path / "platelink-backup.timer")],
        capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")


def test_the_panel_s_page_beside_one_for_the_network_is_the_page_on_another_port():
    (line,) = re.findall(r"^(sed .*) \|", (ROOT / "docs/kiosk.md").read_text("utf-8"), re.M)
    done = subprocess.run(["sh", "-c", line], cwd=ROOT, capture_output=True, text=True, check=True)
    page = (DEPLOY / "platelink-page.service").read_text("utf-8")
    ((before, after),) = [
        pair
        for pair in zip(page.splitlines(), done.stdout.splitlines(), strict=True)
        if pair[0] != pair[1]
    ]
    assert before.startswith("ExecStart=") and after == f"{before} --listen 127.0.0.1:8461"


def test_the_screens_unit_is_valid_and_comes_back_by_itself(tmp_path):
    text = KIOSK.read_text("utf-8")
    lines = text.splitlines()
    assert {"Restart=always", "StartLimitIntervalSec=0", "User=kiosk"} <= set(lines)
    (waits,) = [line for line in lines if line.startswith("ExecStartPre=")]
    (starts,) = [line for line in lines if line.startswith("ExecStart=")]
    place = "http://127.0.0.1:8460"
    assert f"{place}/" in waits and starts.endswith(f"{place}/")
    policy = json.loads((DEPLOY / "platelink-kiosk.json").read_text("utf-8"))
    assert policy["URLBlocklist"] == ["*"] and policy["URLAllowlist"] == [place]
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not here; it comes with Debian's package systemd")
    copy = tmp_path / KIOSK.name  # its programs are not installed here
    copy.write_text(re.sub(r"^(ExecStart(?:Pre)?)=\S+", r"\1=/bin/true", text, flags=re.M))
    done = subprocess.run(
        [analyze, "verify", str(copy)], capture_output=True, text=True, check=False, timeout=30
    )
    assert (done.returncode, done.stderr) == (0, "")


EXPOSURE = {
    "platelink-alerts": 14,
    "platelink-fleet-page": 12,
    "platelink-fleet": 14,
    "platelink-page": 14,
    "platelink-recorder": 14,
    "platelink": 18,
    "vmauth": 14,
}
"""Tenths of systemd's own scale, 0 safe to 100; what is left is what each needs: sockets, network,
the serial port, one group, and a host's root directory that it may only read."""


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_finds_little_to_attack(unit, tmp_path):
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not here; it comes with Debian's package systemd")
    copy = tmp_path / unit.name
    text = unit.read_text("utf-8")
    copy.write_text(re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.M))
    done = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager",
         f"--threshold={EXPOSURE[unit.stem]}", str(copy)],
        capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-300:] + done.stderr


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_memory_sockets_and_processes_are_bounded(unit):
    keys = {line.partition("=")[0] for line in unit.read_text("utf-8").splitlines()}
    assert {"MemoryMax", "LimitNOFILE", "TasksMax"} <= keys


def test_the_page_is_a_user_of_its_own_that_reaches_its_socket_and_nothing_else():
    page = (DEPLOY / "platelink-page.service").read_text("utf-8").splitlines()
    daemon = (DEPLOY / "platelink.service").read_text("utf-8")
    assert not [line for line in page if line.startswith(("User=", "StateDirectory="))]
    assert "InaccessiblePaths=-/var/lib/platelink -/var/lib/private/platelink" in page
    group = (DEPLOY / "platelink.sysusers").read_text("utf-8").split("\ng ")[1].split()[0]
    assert f"SupplementaryGroups={group}" in page
    assert f"SupplementaryGroups=dialout {group} " in daemon


def test_the_page_of_all_units_sees_copies_and_its_own_passwords_and_changes_nothing():
    """Its user is the keeper's, whose files and process it would otherwise have all rights to."""
    lines = (DEPLOY / "platelink-fleet-page.service").read_text("utf-8").splitlines()
    told = [line.split("=", 1) for line in lines if "=" in line and not line.startswith("#")]
    keeper = (DEPLOY / "platelink-fleet.service").read_text("utf-8").splitlines()
    assert "StateDirectory=platelink-fleet" in keeper
    assert not [line for line in keeper if line.startswith("User=")]  # it is named as its service
    assert {"User=platelink-fleet", "PrivateUsers=yes"} <= set(lines)
    hidden = "TemporaryFileSystem=/var/lib:ro /etc/platelink/secrets:ro"
    assert hidden in lines
    shown = [path for key, value in told for path in value.split() if "Paths" in key]
    assert {key for key, _ in told if "Paths" in key} == {"BindReadOnlyPaths"}
    assert shown == [
        "/var/lib/private/platelink-fleet:/var/lib/platelink-fleet",
        "-/etc/platelink/secrets/wall", "/etc/platelink/secrets/fleet-page",
    ]  # fmt: skip
    assert not [key for key, _ in told if key.endswith("Directory") and key[0] != "C"]
    page = (DEPLOY / "platelink-page.service").read_text("utf-8").splitlines()
    own = {"Description", "After", "ExecStart", "SupplementaryGroups", "InaccessiblePaths"}
    for line in page:  # all that hardens the page beside the machine
        if "=" in line and not line.startswith("#") and line.partition("=")[0] not in own:
            assert line in lines


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


def test_a_service_that_takes_too_much_memory_does_not_take_the_daemon_with_it():
    """All of a unit's processes are bounded together; the service raises its own score."""
    lines = {unit.name: unit.read_text("utf-8").splitlines() for unit in UNITS}
    for name, told in lines.items():
        assert any(line.startswith("MemoryMax=") for line in told), name
    # Else systemd ends the whole unit with the first process of it that was ended.
    assert "OOMPolicy=continue" in lines["platelink.service"]
