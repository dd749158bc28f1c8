"""The installer's own parts. `tests/system/test_installation.py` has a machine to install on."""

from __future__ import annotations

import ast
import hashlib
import re
import subprocess
import sys
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from platelink.config.load import load_fleet, load_recorder, loads
from platelink.config.show import example
from platelink.fleet.entrance import LEAST_CHARACTERS
from platelink.fleet.setup import fleet_broker, keep_broker
from platelink.fleet.view import FILTERS

DEPLOY = Path(__file__).parents[2] / "deploy"
FILES = [DEPLOY / "install.py", *(DEPLOY / "installer").glob("*.py")]


def test_it_needs_nothing_but_debian_s_python():
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                assert name.partition(".")[0] in {*sys.stdlib_module_names, "installer"}, path
    help_ = subprocess.run(
        [sys.executable, "-S", DEPLOY / "install.py", "install", "-h"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert all(part in help_.stdout for part in ("unit", "page", "backup", "--network", "--user"))


def test_an_upgrade_takes_no_part_away_that_a_configuration_may_ask_for(own, tmp_path, monkeypatch):
    """An instrument on the bus, a cluster, a time stamp: each ends without its package."""
    program = own[1]
    declared = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text("utf-8"))["project"]
    asked_for = set(declared["optional-dependencies"]) - {"test", "docs"}
    assert asked_for == {*program.EXTRAS, *program.KEPT}
    monkeypatch.setattr(program, "release_of", lambda _: None)
    assert program.extras() == ",".join(program.EXTRAS)
    monkeypatch.setattr(program, "release_of", lambda _: tmp_path)
    assert program.extras() == ",".join(program.EXTRAS)
    (tmp_path / "lib/python3.11/site-packages/pyarrow").mkdir(parents=True)
    assert program.extras() == ",".join([*program.EXTRAS, "parquet"])


@pytest.mark.parametrize("parts", [("unit",), ("unit", "broker")])
def test_the_configuration_it_writes_loads_and_names_this_machine(own, parts):
    _, _, surroundings = own
    config = loads(surroundings.configuration(example(), "invented-shop", "unit-7", parts))
    assert (config.unit.site, config.unit.name) == ("invented-shop", "unit-7")
    assert config.link.port == "/dev/platelink"
    assert config.service.page_group == "platelink-face"
    assert (config.broker is not None) is ("broker" in parts)
    if config.broker is not None:
        assert config.broker.username == "invented-shop/unit-7"
        assert str(config.broker.password_file) == "/etc/platelink/secrets/unit"


def test_the_recorder_s_loads(own, tmp_path):
    _, _, surroundings = own
    path = tmp_path / "recorder.toml"
    path.write_text(surroundings.recorder_configuration())
    config = load_recorder(path)
    assert config.broker.username == "recorder"
    unit = (DEPLOY / "platelink-recorder.service").read_text("utf-8")
    state = re.search(r"^StateDirectory=(\S+)$", unit, re.M)
    assert state and str(config.recorder.path.parent) == f"/var/lib/{state[1]}"


def test_the_fleet_s_loads_and_its_users_are_in_the_access_list(own, tmp_path, monkeypatch):
    install, _, surroundings = own
    monkeypatch.setattr(surroundings, "ETC", tmp_path)
    path = tmp_path / "fleet.toml"
    path.write_text(surroundings.fleet_configuration())
    for user in surroundings.FLEET_USERS:
        (tmp_path / "secrets").mkdir(exist_ok=True)
        (tmp_path / "secrets" / user).write_text(f"of {user}\n")
    config = load_fleet(path)
    found = keep_broker(config), fleet_broker(config)
    assert [one.username for one in found] == list(surroundings.FLEET_USERS) == ["keeper", "reader"]
    assert [one.password for one in found] == ["of keeper", "of reader"]
    lines = (DEPLOY / "mosquitto.acl").read_text("utf-8").splitlines()
    assert {"user keeper", "user reader"} <= set(lines)
    unit = (DEPLOY / install.SERVICES["fleet"]).read_text("utf-8")
    state = re.search(r"^StateDirectory=(\S+)$", unit, re.M)
    assert state and str(config.fleet.path.parent) == f"/var/lib/{state[1]}"
    assert "--config /etc/platelink/fleet.toml fleet keep" in unit


def test_the_page_s_loads_and_names_what_its_service_may_see(own, tmp_path):
    install, _, surroundings = own
    path = tmp_path / "fleet-page.toml"
    path.write_text(surroundings.fleet_page_configuration())
    config = load_fleet(path)
    assert config.fleet.username == surroundings.PAGE_USER == "wall"
    assert config.fleet.page_password_file == install.PAGE_PASSWORD
    unit = (DEPLOY / install.SERVICES["fleet-page"]).read_text("utf-8")
    assert "--config /etc/platelink/fleet-page.toml fleet page\n" in unit  # and its own --listen
    for seen in (config.fleet.password_file, config.fleet.page_password_file):
        assert re.search(rf"^BindReadOnlyPaths=.*{seen}\b", unit, re.M)
    path.write_text(surroundings.fleet_configuration())
    assert load_fleet(path).fleet.path == config.fleet.path  # what the keeper writes
    assert config.fleet.path.parent == Path("/var/lib/platelink-fleet")
    lines = (DEPLOY / "mosquitto.acl").read_text("utf-8").split("user wall\n")[1].split("\n\n")[0]
    assert lines.splitlines() == [f"topic read {one}" for one in FILTERS]
    told = (DEPLOY.parent / "docs/fleet.md").read_text("utf-8")
    assert surroundings.fleet_page_configuration().replace("\n\n", "\n") in told


@pytest.fixture
def server(own, monkeypatch, tmp_path):
    """Its folders, what it ran, and the broker's program for passwords."""
    install, _, surroundings = own
    etc, mosquitto = tmp_path / "etc", tmp_path / "mosquitto"
    (etc / "secrets").mkdir(parents=True)
    mosquitto.mkdir()
    ran: list[str] = []

    def run(*command: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        ran.append(" ".join(map(str, command)))
        if command[0] == "mosquitto_passwd":
            plain = Path(command[2])
            user, _, password = plain.read_text().strip().partition(":")
            plain.write_text(f"{user}:${hashlib.sha256(password.encode()).hexdigest()}\n")
        return subprocess.CompletedProcess(command, 0, "", "")

    for module in (install, surroundings):
        monkeypatch.setattr(module, "ETC", etc)
        monkeypatch.setattr(module, "PASSWORDS", mosquitto / "platelink.passwd")
        monkeypatch.setattr(module, "run", run)
    monkeypatch.setattr(surroundings, "MOSQUITTO", mosquitto)
    monkeypatch.setattr(install, "PAGE_PASSWORD", etc / "secrets/fleet-page")
    monkeypatch.setattr(surroundings.shutil, "chown", lambda *_: None)
    yield etc, mosquitto, ran


def test_the_fleet_s_users_are_made_where_the_broker_is_there_already(own, server):
    install, _, surroundings = own
    etc, mosquitto, ran = server
    surroundings.broker(install.users(("broker",), []), None)
    ran.clear()
    acl = mosquitto / "platelink.acl"
    acl.write_text(acl.read_text() + "user of-the-shop\n")
    (mosquitto / "mosquitto.conf").write_text("as the shop has it now")
    for again in (False, True):
        assert surroundings.unfit(("fleet",), []) == ""
        surroundings.admit(install.users(("fleet",), []))
        assert ran.count("systemctl restart mosquitto") == (0 if again else 1)
        ran.clear()
        there = surroundings.logins()
        assert sorted(there) == ["keeper", "reader", "recorder"]
        for user, line in there.items():
            password = (etc / "secrets" / user).read_text().strip()
            assert line == f"{user}:${hashlib.sha256(password.encode()).hexdigest()}"
    assert acl.read_text().endswith("user of-the-shop\n")  # the shop's own lines stay
    assert (mosquitto / "mosquitto.conf").read_text() == "as the shop has it now"


def test_an_access_list_of_before_a_user_gets_its_lines_and_keeps_the_shop_s(own, server):
    install, _, surroundings = own
    _, mosquitto, ran = server
    surroundings.broker(install.users(("broker",), []), None)
    acl = mosquitto / "platelink.acl"
    shipped = (DEPLOY / "mosquitto.acl").read_text()
    old = re.sub(r"user (keeper|wall)\n(topic .*\n)+", "", shipped) + "user of-the-shop"
    acl.write_text(old)
    surroundings.admit(install.users(("fleet",), []))
    keeper = re.search(r"user keeper\n(topic .*\n){4}", shipped)
    assert keeper and acl.read_text() == f"{old}\n{keeper[0]}"
    assert acl.with_name("platelink.acl.before-platelink").read_text() == old
    acl.write_text(with_own := acl.read_text() + "# later\n")
    ran.clear()
    surroundings.admit(install.users(("fleet", "fleet-page"), []))
    assert acl.read_text().startswith(f"{with_own}\nuser wall\ntopic read ")
    assert ran.count("systemctl restart mosquitto") == 1


def test_the_page_gets_a_password_once_and_nobody_is_shown_it(own, server, capsys):
    install = own[0]
    etc, _, _ = server
    parts = ("fleet", "fleet-page")
    install.configure(etc, parts, "invented-shop", "unit-1")
    path = etc / "secrets/fleet-page"
    password, said = path.read_text().strip(), capsys.readouterr().out
    assert len(password) >= LEAST_CHARACTERS and path.stat().st_mode & 0o777 == 0o640
    assert f"password of the page of all units: it is in {path}\n" in said
    assert password not in said
    made = (etc / "fleet-page.toml").read_text()
    assert str(path) in made and password not in made
    path.write_text("one of the shop's own\n")
    (etc / "fleet-page.toml").write_text(f"{made}# the shop's\n")
    install.configure(etc, parts, "invented-shop", "unit-1")
    assert path.read_text() == "one of the shop's own\n"
    assert (etc / "fleet-page.toml").read_text() == f"{made}# the shop's\n"
    assert not capsys.readouterr().out
    assert sorted(install.users(parts, [])) == ["keeper", "reader", "recorder", "wall"]


def test_the_page_is_begun_anew_for_another_password_alone(own, monkeypatch):
    install, _, _ = own
    ran: list[tuple[str, ...]] = []

    def run(*command: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        ran.append(command)
        return subprocess.CompletedProcess(command, 0, "", "")

    monkeypatch.setattr(install, "run", run)
    for wrote, acts in (
        ([], ["start", "start"]),
        ([str(install.PAGE_PASSWORD)], ["start", "restart"]),
        (["/etc/systemd/system/platelink-fleet-page.service"], ["start", "restart"]),
        (["/etc/systemd/system/platelink-fleet.service"], ["restart", "start"]),
    ):
        monkeypatch.setattr(install, "WROTE", wrote)
        ran.clear()
        assert install.begin(("fleet", "fleet-page"))
        assert [act for *_, act, _ in ran if act.endswith("start")] == acts


def test_a_page_is_set_up_beside_its_copies_and_for_their_broker_alone(own, server):
    _, _, surroundings = own
    etc, _, _ = server
    both = ("broker", "fleet", "fleet-page")
    assert "ask for 'fleet' too" in surroundings.unfit(("broker", "fleet-page"), [])
    assert surroundings.unfit(both, []) == ""
    made = surroundings.fleet_configuration()
    for before, after in (
        ("127.0.0.1", "broker.example"), ("[fleet]", "[jetstream]\n\n[fleet]"),
        ("platelink-fleet/copies", "platelink-fleet/elsewhere"),
    ):  # fmt: skip
        (etc / "fleet.toml").write_text(made.replace(before, after, 1))
        assert f"write {etc}/fleet-page.toml first" in surroundings.unfit(both, [])
    (etc / "fleet.toml").write_text(made + '[display]\ntimezone = "UTC"\n')
    assert surroundings.unfit(both, []) == ""
    (etc / "fleet.toml").write_text(made.replace("127.0.0.1", "broker.example"))
    (etc / "fleet-page.toml").touch()
    assert surroundings.unfit(both, []) == ""
    surroundings.PASSWORDS.write_text("wall:$of-somebody\n")
    assert f"whose password is not in {etc}/secrets/wall" in surroundings.unfit(both, [])


def test_the_page_answers_by_each_name_that_its_certificate_has(own, server, monkeypatch, tmp_path):
    _, _, surroundings = own
    monkeypatch.setattr(surroundings, "UNITS", tmp_path)
    monkeypatch.setattr(surroundings, "certificate", lambda *_: True)
    surroundings.page(surroundings.Network("shop.example", ("192.0.2.10", "192.0.2.11")))
    text = (tmp_path / "platelink-page.service.d/network.conf").read_text()
    words = text.rpartition("ExecStart=")[2].split()
    names = [after for word, after in pairwise(words) if word == "--name"]
    assert names == ["shop.example", "192.0.2.10", "192.0.2.11"]
    assert "--listen 0.0.0.0:8460 --name" in text and "/page.key" in words[-1]


def test_a_listener_for_the_network_stays_open(own, server, monkeypatch):
    install, _, surroundings = own
    _, mosquitto, _ = server
    conf = mosquitto / "mosquitto.conf"
    conf.write_text("listener 8883\n")  # another program's, with certificates of its own
    surroundings.broker(install.users(("broker",), []), None)
    assert "\n#listener 8883\n" in conf.read_text()
    monkeypatch.setattr(surroundings, "certificate", lambda *_: True)
    (mosquitto / "certs").mkdir()
    (mosquitto / "certs/broker.crt").touch()
    surroundings.broker(install.users(("broker",), []), surroundings.Network("shop.example"))
    for _ in range(2):
        assert "\nlistener 8883\n" in conf.read_text()
        surroundings.broker(install.users(("broker", "fleet"), []), None)


def test_a_fleet_without_a_broker_and_users_made_by_hand_are_refused(own, server):
    _, _, surroundings = own
    etc, mosquitto, _ = server
    assert "ask for 'broker' too" in surroundings.unfit(("fleet",), [])
    assert surroundings.unfit(("recorder",), []) == ""
    assert surroundings.unfit(("fleet", "broker"), []) == ""
    (etc / "fleet.toml").touch()  # of a broker elsewhere
    assert surroundings.unfit(("fleet",), []) == ""
    (mosquitto / "platelink.passwd").write_text("reader:$of-somebody\nshop/unit-2:$of-another\n")
    why = surroundings.unfit(("fleet",), [])
    assert f"a user reader already, whose password is not in {etc}/secrets/reader" in why
    (etc / "secrets/reader").write_text("known\n")
    assert surroundings.unfit(("fleet",), []) == ""
    assert "a user shop/unit-2 already" in surroundings.unfit(("broker",), ["shop/unit-2"])


def test_a_key_of_another_section_is_left_alone(own):
    _, _, surroundings = own
    text = '[one]\n#name = "x"\n\n#[two]\n#name = "y"\n[three]\nname = "z"\n'
    assert surroundings.changed(text, "two", "name", 'a"b') == (
        '[one]\n#name = "x"\n\n[two]\nname = "a\\"b"\n[three]\nname = "z"\n'
    )
    for section, key in (("four", "name"), ("one", "port")):
        with pytest.raises(own[0].Refused, match="report this"):
            surroundings.changed(text, section, key, "v")


def test_two_checkouts_that_differ_are_two_releases(own, monkeypatch, tmp_path):
    _, program, _ = own
    first = program.release_name()
    assert first == program.release_name()
    for folder in ("platelink", "firmware-sim"):
        (tmp_path / folder).mkdir()
    (tmp_path / "deploy").mkdir()
    for path in ("pyproject.toml", "README.md", "LICENSE", "deploy/constraints.txt"):
        (tmp_path / path).write_text('version = "9.8.7"\n')
    monkeypatch.setattr(program, "SOURCE", tmp_path)
    names = {program.release_name()}
    for name, text in (("a.py", ""), ("b.py", ""), ("a.py", "1")):
        (tmp_path / "platelink" / name).write_text(text)
        names.add(program.release_name())
    assert len(names) == 4 and all(name.startswith("9.8.7-") for name in names)


def test_a_unit_whose_sensors_are_invented_is_not_started(own, monkeypatch, tmp_path):
    install = own[0]
    config, made = tmp_path / "platelink.toml", tmp_path / "made"
    config.write_text("as made")
    made.write_text(hashlib.sha256(b"as made").hexdigest())
    ran: list[tuple[str, ...]] = []

    def run(*command: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        ran.append(command)
        return subprocess.CompletedProcess(command, 0, "", "")

    for name, value in (("CONFIG", config), ("AS_MADE", made), ("run", run)):
        monkeypatch.setattr(install, name, value)
    assert install.begin(("unit", "page", "backup"))
    assert not ran
    assert install.begin(("unit", "fleet", "recorder", "fleet-page"))
    started = [name for *_, act, name in ran if act == "start"]
    assert started == [  # of others' units
        f"platelink-{name}.service" for name in ("recorder", "fleet", "fleet-page")
    ]
    config.write_text("of the shop's own")
    assert install.begin(("unit", "page", "backup"))
    assert ("timeout", "60", "systemctl", "start", "platelink.service") in ran


def test_it_refuses_what_it_cannot_do():
    done = subprocess.run(
        [sys.executable, DEPLOY / "install.py", "uninstall"], capture_output=True, text=True,
        check=False, env={"PATH": "/nowhere"},
    )  # fmt: skip
    assert done.returncode == 1 and done.stderr.startswith("refused: this ")
