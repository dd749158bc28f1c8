"""The installer on a real Debian that systemd runs: what it says has come about."""

from __future__ import annotations

import base64
import json
import re
import shutil
import ssl
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from container import SIMULATED, Container, missing
from publish.releases import make_key, release, repository
from shop_processes import wait

from platelink.simulated.harness import configuration
from platesim.scenarios import SCENARIOS

pytestmark = [
    pytest.mark.system,
    pytest.mark.alone,
    pytest.mark.long,
    pytest.mark.timeout(900),
    pytest.mark.skipif(bool(missing()), reason=missing()),
]
DAEMON = "platelink/cli/serve.py"
LIGHT = "platelink/sensing/light.py"


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Container]:
    container = Container(tmp_path_factory.mktemp("debian"))
    try:
        container.start()
        yield container
    finally:
        container.stop()
        shutil.rmtree(container.tree, ignore_errors=True)


def show(machine: Container, what: str) -> str:
    return machine.run("systemctl", "show", "-P", what, "platelink").stdout.strip()


def in_use(machine: Container) -> str:
    return Path(machine.run("readlink", "-f", "/opt/platelink/current").stdout.strip()).name


def status(machine: Container) -> dict:
    done = machine.run("platelink", "status", "--json")
    return json.loads(done.stdout) if not done.returncode else {}


def changed(machine: Container, file: str, before: str, after: str) -> None:
    path = machine.checkout / file
    text = path.read_text("utf-8")
    assert before in text
    path.write_text(text.replace(before, after), "utf-8")


def test_it_waits_for_the_sensors_values(machine):
    done = machine.install("install", "--site", "invented-shop")
    assert (done.returncode, done.stderr) == (0, "")
    assert "its sensors are invented" in done.stdout and "running" not in done.stdout
    assert show(machine, "ActiveState") == "inactive"
    checked = machine.run("platelink", "config", "check")
    assert checked.returncode == 0 and "0 problems" in checked.stdout
    again = machine.install("install")
    assert "wrote" not in again.stdout and "its sensors are invented" in again.stdout


def test_then_it_starts_the_unit_and_a_second_time_changes_nothing(machine):
    parameters = SCENARIOS["plate"]
    etc = machine.tree / "etc"
    (etc / "platelink/platelink.toml").write_text(
        configuration(
            getattr(parameters, "parameters", parameters), unit="unit-1", site="invented-shop",
            port="/dev/platelink", journal=Path("/var/lib/platelink/journal.sqlite"),
            expected_mw_cm2=10.0, more='[service]\npage_socket = "/run/platelink/page.socket"\n'
            'page_group = "platelink-face"\n',
        )
    )  # fmt: skip
    (etc / "systemd/system/platelink.service.d").mkdir()
    (etc / "systemd/system/platelink.service.d/simulated.conf").write_text(SIMULATED)
    python = "/opt/platelink/current/bin/python"
    machine.begin(python, "-m", "platesim.ptyunit", "--scenario", "plate", "--link",
                  "/dev/platelink")  # fmt: skip
    wait(lambda: not machine.run("test", "-e", "/dev/platelink").returncode, 60, "simulated unit")
    machine.run("sh", "-c", "chmod 666 $(readlink -f /dev/platelink)")
    done = machine.install("install")
    assert (done.returncode, done.stderr) == (0, "")
    assert "running  platelink.service platelink-page.service platelink-backup.timer" in done.stdout
    assert show(machine, "ActiveState") == "active"
    wait(lambda: status(machine)["link"]["state"] == "up", 30, "link")
    assert not status(machine)["service"]["problem"]  # the page's socket is its group's
    pid = show(machine, "MainPID")
    again = machine.install("install")
    assert again.returncode == 0 and "wrote" not in again.stdout
    assert show(machine, "MainPID") == pid
    doctor = machine.run("platelink", "doctor", "--quick")
    assert doctor.returncode == 0, doctor.stdout


def test_a_signed_release_is_verified_before_anything_of_it_is_used(machine, tmp_path):
    first, key = in_use(machine), make_key(tmp_path / "key")
    made = release(repository(tmp_path / "checkout"), tmp_path / "release", key)
    assert made.returncode == 0, made.stderr
    there = shutil.copytree(tmp_path / "release", machine.tree / "release")
    (machine.tree / "release.pub").write_bytes(key.with_suffix(".pub").read_bytes())
    (archive,) = there.glob("*.tar.gz")
    whole = archive.read_bytes()
    archive.write_bytes(whole[:1000] + b"x" + whole[1001:])
    words = ("from", "--key", "/release.pub", "/release", "install")
    done = machine.install(*words)
    assert done.returncode == 1 and "is not what was signed" in done.stderr
    archive.write_bytes(whole)
    done = machine.install(*words)
    assert (done.returncode, done.stderr) == (0, "")
    assert "verified platelink-" in done.stdout and f"is there program {first}" in done.stdout
    assert (machine.tree / "etc/platelink/release.pub").exists()
    assert machine.install("from", "/release").returncode == 0


def test_page_backup_and_shop_s_server(machine):
    done = machine.install("install", "broker", "store", "recorder", "--network", "shop.example",
                           "--user", "invented-shop/unit-2")  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    wait(lambda: health(machine).get("ok"), 30, "page over TLS")
    assert machine.run("systemctl", "start", "platelink-backup").returncode == 0
    assert list((machine.tree / "var/backups/platelink").glob("night-*/manifest.json"))
    assert (machine.tree / "var/lib/private/platelink/journal.backed-up").exists()
    secret = (machine.tree / "etc/platelink/secrets/invented-shop.unit-2").read_text().strip()
    asked = machine.run(
        "sh", "-c", "echo | openssl s_client -connect 127.0.0.1:8883 -verify_hostname shop.example "
        "-CAfile /etc/mosquitto/certs/ca.crt",
    )  # fmt: skip
    assert "Verification: OK" in asked.stdout
    users = (machine.tree / "etc/mosquitto/platelink.passwd").read_text()
    assert "invented-shop/unit-2:$" in users and secret not in users
    again = machine.install("install", "--network", "shop.example")
    assert again.returncode == 0 and "wrote" not in again.stdout
    copies_are_kept(machine)
    failed = machine.run("systemctl", "--failed", "--plain", "--no-legend").stdout
    assert not failed


COPIES = "var/lib/private/platelink-fleet/copies"


def copies_are_kept(machine: Container) -> None:
    """The fleet, asked for where the broker is there already: of the unit of this machine."""
    conf = (machine.tree / "etc/mosquitto/mosquitto.conf").read_text()
    first = machine.install("install", "fleet", "--network", "shop.example",
                            "--user", "invented-shop/unit-1")  # fmt: skip
    assert (first.returncode, first.stderr) == (0, "")
    for told in ("user     keeper of the broker", "wrote    /etc/platelink/fleet.toml"):
        assert told in first.stdout
    (running,) = [line for line in first.stdout.splitlines() if line.startswith("  running ")]
    assert "platelink-fleet.service" in running
    again = machine.install("install", "fleet", "--network", "shop.example")
    assert again.returncode == 0 and "wrote" not in again.stdout and "user" not in again.stdout
    assert (machine.tree / "etc/mosquitto/mosquitto.conf").read_text() == conf
    config = machine.tree / "etc/platelink/platelink.toml"
    before = config.read_text()
    config.write_text(f"""{before}
[broker]
host = "127.0.0.1"
username = "invented-shop/unit-1"
password_file = "/etc/platelink/secrets/invented-shop.unit-1"
""")
    machine.run("systemctl", "restart", "platelink")
    wait(lambda: list((machine.tree / COPIES).glob("invented-shop/unit-1/*.sqlite")), 60, "copy")
    fleet = ("platelink", "--config", "/etc/platelink/fleet.toml", "fleet")
    seen = machine.run(*fleet, "--json")
    assert seen.returncode == 0, seen.stderr
    (row,) = json.loads(seen.stdout)["units"]
    assert (row["site"], row["unit"], row["presence"]) == ("invented-shop", "unit-1", "online")
    plates = machine.run(*fleet, "plates", "--json")
    assert plates.returncode == 0, plates.stderr
    assert json.loads(plates.stdout)["copies"][0]["unit"] == "invented-shop/unit-1"
    page_of_all_units(machine)
    config.write_text(before)
    machine.run("systemctl", "restart", "platelink")
    wait(lambda: status(machine).get("link", {}).get("state") == "up", 30, "link")


PAGE_PASSWORD = "etc/platelink/secrets/fleet-page"


def page_of_all_units(machine: Container) -> None:
    """It shows the unit that is online, and what the keeper has of it; it sees nothing else."""
    first = machine.install("install", "fleet-page", "--network", "shop.example")
    assert (first.returncode, first.stderr) == (0, "")
    password = (machine.tree / PAGE_PASSWORD).read_text().strip()
    assert f"password of the page of all units: it is in /{PAGE_PASSWORD}\n" in first.stdout
    service = "platelink-fleet-page.service"
    assert f" {service}" in first.stdout.partition("  running ")[2]
    again = machine.install("install", "--network", "shop.example")
    assert again.returncode == 0 and service in again.stdout and "wrote" not in again.stdout
    logged = machine.run("journalctl", "--no-pager").stdout
    assert "the page: http://127.0.0.1:8465/" in logged
    assert not [text for text in (logged, first.stdout, again.stdout) if password in text]
    assert asked(password, "/", wrong=True) == asked("", "/") == (401, "")
    wait(lambda: 'data-presence="online"' in asked(password, "/wall")[1], 60, "unit on the wall")
    table = machine.run("platelink", "--config", "/etc/platelink/fleet.toml", "fleet", "--json")
    assert table.returncode == 0, table.stderr  # by another user of the broker: both stay
    assert "Nothing is received" not in asked(password, "/wall")[1]
    code, plates = asked(password, "/plates")
    assert code == 200 and "Not listed" not in plates
    assert re.search(r"<p>invented-shop/unit-1, \S+: \d+ entries", plates)
    (place,) = {line.split()[1] for kind in ("tcp", "tcp6") for line in
                machine.run("cat", f"/proc/net/{kind}").stdout.splitlines()
                if re.fullmatch(r"[0-9A-F]+:2111", line.split()[1])}  # fmt: skip
    assert place == "0100007F:2111"  # 127.0.0.1:8465
    seen = as_the_page(machine, "cd /var/lib; echo *; cd /etc/platelink/secrets; echo *")
    assert seen == "platelink-fleet\nfleet-page wall\n"
    folder = "/var/lib/platelink-fleet/copies"
    tried = as_the_page(machine, f"cat {folder}/*/*/*.sqlite | wc -c; touch {folder}/x; "
                        "head -c 1 /proc/$KEEPER/root/etc/hostname")  # fmt: skip
    assert int(tried) > 1000  # it reads; the others print nothing


def asked(password: str, path: str, *, wrong: bool = False) -> tuple[int, str]:
    """What the page answers; the text of a refusal is left out."""
    given = base64.b64encode(f"x:{password}{'x' if wrong else ''}".encode()).decode()
    headers = {"Authorization": f"Basic {given}"} if password else {}
    request = urllib.request.Request(f"http://127.0.0.1:8465{path}", headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as fault:
        return fault.code, ""
    except OSError:
        return 0, ""


def as_the_page(machine: Container, command: str) -> str:
    """What whoever had taken over its process would be told."""
    pid = "$(systemctl show -P MainPID {})".format
    script = f"""P={pid("platelink-fleet-page")}; export KEEPER={pid("platelink-fleet")}
U=$(stat -c %u /proc/$P); G=$(stat -c %g /proc/$P)
exec nsenter -t $P -m -U -S $U -G $G sh -c '{command}'"""
    return machine.run("sh", "-c", script).stdout


def health(machine: Container) -> dict:
    """By the authority that the installer made."""
    trusted = ssl.create_default_context(cafile=str(machine.tree / "etc/platelink/page/ca.crt"))
    trusted.check_hostname = False
    request = urllib.request.Request(
        "https://127.0.0.1:8460/health", headers={"Host": "shop.example:8460"}
    )
    try:
        with urllib.request.urlopen(request, timeout=5, context=trusted) as answer:
            return json.load(answer)
    except OSError:
        return {}


def test_a_daemon_that_hangs_is_started_anew(machine):
    pid = show(machine, "MainPID")
    assert int(pid) > 0  # 0 would stop this test
    machine.run("kill", "-STOP", pid)
    wait(lambda: show(machine, "NRestarts") == "1", 60, "restart by the watchdog")
    wait(lambda: status(machine).get("link", {}).get("state") == "up", 30, "link")
    assert show(machine, "MainPID") != pid


def test_nothing_is_changed_while_there_is_light(machine):
    machine.begin("platelink", "expose", "--dose", "60", "mJ/cm2", "--no-contact")
    wait(lambda: status(machine)["light"]["state"] == "on", 30, "light")
    pid = show(machine, "MainPID")
    done = machine.install("install")
    assert done.returncode == 1 and "an exposure is going on" in done.stderr
    assert show(machine, "MainPID") == pid
    wait(lambda: status(machine)["run_id"] is None, 60, "the end of the exposure")


def test_a_release_that_makes_the_same_plates_takes_over_and_is_gone_back_from(machine):
    first = in_use(machine)
    changed(machine, "platelink/__init__.py", '"""', '"""  ')
    done = machine.install("install")
    assert (done.returncode, done.stderr) == (0, "")
    assert "same     plates of the last 30 days, made again" in done.stdout
    assert in_use(machine) != first and show(machine, "ActiveState") == "active"
    assert machine.install("rollback").returncode == 0
    assert in_use(machine) == first
    wait(lambda: status(machine), 30, "daemon")
    machine.take_checkout()


def test_one_that_makes_other_plates_is_not_taken(machine):
    first = in_use(machine)
    changed(machine, LIGHT, "total += weight * irradiance", "total += 1.001 * weight * irradiance")
    done = machine.install("install")
    assert done.returncode == 1 and "would not have made the same plates" in done.stderr
    assert in_use(machine) == first
    machine.take_checkout()


def test_one_that_does_not_come_up_is_given_up(machine):
    first = in_use(machine)
    changed(machine, DAEMON, "    config = load_config()\n", "    raise SystemExit(3)\n")
    done = machine.install("install")
    assert done.returncode == 1 and f"{first} is in use again" in done.stderr
    assert in_use(machine) == first
    wait(lambda: status(machine), 30, "daemon")
    machine.take_checkout()


def test_from_a_release_whose_record_the_older_cannot_read_nothing_is_lost(machine):
    first, runs = in_use(machine), machine.run("platelink", "runs").stdout
    changed(machine, "platelink/record/schema.py", "WAL_KEPT_BYTES = 1 << 20",
            '_MIGRATIONS = (*_MIGRATIONS, ("CREATE TABLE later (one INTEGER)",))\n'
            "WAL_KEPT_BYTES = 1 << 20")  # fmt: skip
    assert machine.install("install").returncode == 0
    made = machine.run("platelink", "expose", "--dose", "20", "mJ/cm2", "--no-contact")
    assert made.returncode == 0
    done = machine.install("rollback")
    assert (done.returncode, done.stderr) == (0, "")
    assert "set back" in done.stdout and in_use(machine) == first
    wait(lambda: status(machine), 30, "daemon")
    assert machine.run("platelink", "runs").stdout == runs
    (aside,) = (machine.tree / "var/lib/private").glob("platelink-set-aside-*")
    assert (aside / "journal.sqlite").exists()
    machine.take_checkout()


def test_uninstalled_it_leaves_all_data(machine):
    if not (machine.tree / COPIES).exists():  # no other test has been here
        test_it_waits_for_the_sensors_values(machine)
        test_then_it_starts_the_unit_and_a_second_time_changes_nothing(machine)
        test_page_backup_and_shop_s_server(machine)
    if "mJ/cm²" not in machine.run("platelink", "runs").stdout:
        machine.run("platelink", "expose", "--dose", "20", "mJ/cm2", "--no-contact")
    done = machine.install("uninstall")
    assert (done.returncode, done.stderr) == (0, "")
    for left in ("/etc/platelink", "/var/lib/platelink", "/var/lib/platelink-fleet",
                 "/var/backups/platelink"):  # fmt: skip
        assert f"left     {left}\n" in done.stdout
    assert (machine.tree / "var/lib/private/platelink/journal.sqlite").exists()
    assert list((machine.tree / COPIES).glob("invented-shop/unit-1/*.sqlite"))
    assert (machine.tree / PAGE_PASSWORD).exists()
    assert not (machine.tree / "opt/platelink").exists()
    assert not list((machine.tree / "etc/systemd/system").glob("platelink*.service"))
    back = machine.install("install")
    assert back.returncode == 0
    assert "mJ/cm²" in machine.run("platelink", "runs").stdout
