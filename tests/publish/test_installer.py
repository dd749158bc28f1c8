"""The installer's own parts. `tests/system/test_installation.py` has a machine to install on."""

from __future__ import annotations

import ast
import hashlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

from platelink.config.load import load_recorder, loads
from platelink.config.show import example

DEPLOY = Path(__file__).parents[2] / "deploy"
FILES = [DEPLOY / "install.py", *(DEPLOY / "installer").glob("*.py")]


@pytest.fixture
def own(monkeypatch):
    """Its modules, as the script has them."""
    monkeypatch.syspath_prepend(str(DEPLOY))
    import install
    import installer.program as program
    import installer.surroundings as surroundings

    yield install, program, surroundings
    for name in [
        name for name in sys.modules if name.partition(".")[0] in ("install", "installer")
    ]:
        del sys.modules[name]


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
    config.write_text("of the shop's own")
    assert install.begin(("unit", "page", "backup"))
    assert ("systemctl", "start", "platelink.service") in ran


def test_it_refuses_what_it_cannot_do():
    done = subprocess.run(
        [sys.executable, DEPLOY / "install.py", "uninstall"], capture_output=True, text=True,
        check=False, env={"PATH": "/nowhere"},
    )  # fmt: skip
    assert done.returncode == 1 and done.stderr.startswith("refused: this ")
