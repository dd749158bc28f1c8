"""The installer where something comes in between: light, a power cut, a silent daemon."""

from __future__ import annotations

import errno
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

DONE = subprocess.CompletedProcess
Ran = list[tuple[str, ...]]


@pytest.fixture
def machine(own: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """All places of the installer below a folder."""
    install = own[0]
    opt, etc = tmp_path / "opt", tmp_path / "etc"
    places = {
        "OPT": opt, "ETC": etc, "CURRENT": opt / "current", "PREVIOUS": opt / "previous",
        "CONFIG": etc / "platelink.toml", "STATE": tmp_path / "state", "UNITS": tmp_path / "units",
        "BACKUPS": tmp_path / "backups", "AS_MADE": etc / "made", "COMMAND": tmp_path / "command",
    }  # fmt: skip
    names = ("machine", "program", "rehearsal", "surroundings")
    for module in (install, *(sys.modules[f"installer.{name}"] for name in names)):
        for name, place in places.items():
            if hasattr(module, name):
                monkeypatch.setattr(module, name, place)
    for name in ("old", "new"):
        (opt / "releases" / name / "bin").mkdir(parents=True)
    for folder in ("etc", "state", "units", "backups"):
        (tmp_path / folder).mkdir()
    places["CONFIG"].write_text('[unit]\nname = "invented"\n')
    return install


def asked(monkeypatch: pytest.MonkeyPatch, answer: Callable[[tuple[str, ...]], Any]) -> Ran:
    """What it runs, and what comes of that."""
    ran: Ran = []

    def run(*command: object, check: bool = True) -> Any:
        ran.append(tuple(map(str, command)))
        return answer(ran[-1]) or DONE(ran[-1], 0, "{}", "")

    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] in ("install", "installer") and hasattr(module, "run"):
            monkeypatch.setattr(module, "run", run)
    return ran


def simply(install: Any, monkeypatch: pytest.MonkeyPatch, says: list[str]) -> list[str]:
    """Steps that do nothing but say their name; ``says`` is what the daemon is at."""
    made: list[str] = []
    for name in ("packages", "rehearse", "files", "configure", "renew", "take_over", "prune"):
        monkeypatch.setattr(install, name, lambda *_, n=name, **__: made.append(n))
    monkeypatch.setattr(install, "build", lambda: install.OPT / "releases/new")
    monkeypatch.setattr(install, "begin", lambda _: made.append("begin") or True)
    monkeypatch.setattr(install, "has_record", lambda: True)
    monkeypatch.setattr(install, "lit", lambda **_: says.pop(0) if says else "")
    install.point(install.CURRENT, install.OPT / "releases/old")
    asked(monkeypatch, lambda _: None)
    return made


def installed(install: Any, parts: Sequence[str] = ("unit",)) -> None:
    install.install(parts, "invented", "unit-1", None, [], accept=False)


def test_an_exposure_begun_while_the_release_was_built_is_left_alone(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simply(machine, monkeypatch, ["", "an exposure is going on"])
    with pytest.raises(machine.Refused, match="an exposure is going on"):
        installed(machine)
    assert made == ["packages", "rehearse"]  # none of them changes anything of the unit
    made[:] = []
    monkeypatch.setattr(machine, "lit", lambda **_: "light" if "files" in made else "")
    with pytest.raises(machine.Refused, match="light"):
        installed(machine)
    assert "take_over" not in made


def test_what_a_call_changed_that_was_cut_off_is_taken_up_by_the_next(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simply(machine, monkeypatch, [])
    own = sys.modules["installer.machine"]
    unit = machine.UNITS / "platelink-page.service"
    own.put(unit, "one")  # type: ignore[attr-defined]
    machine.WROTE.clear()  # the process ended here
    installed(machine)
    assert str(unit) in machine.WROTE and made[-2:] == ["begin", "prune"]
    assert "renew" in made  # certificates, in any run
    machine.WROTE.clear()
    installed(machine)
    assert not machine.WROTE  # taken up once


def test_a_program_put_in_place_by_a_call_that_was_cut_off_is_begun(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    new = machine.OPT / "releases/new"
    machine.take_over(new)
    machine.WROTE.clear()
    take_over, begin = machine.take_over, machine.begin
    simply(machine, monkeypatch, [])
    monkeypatch.setattr(machine, "take_over", take_over)
    monkeypatch.setattr(machine, "begin", begin)
    ran = asked(monkeypatch, lambda _: None)
    installed(machine)
    assert ("restart", "platelink.service") in [words[-2:] for words in ran]


@pytest.mark.parametrize(
    ("active", "begun", "refused"), [(0, False, True), (3, False, False), (0, True, False)]
)
def test_a_daemon_that_runs_and_says_nothing_may_have_light(
    machine: Any, monkeypatch: pytest.MonkeyPatch, active: int, begun: bool, refused: bool
) -> None:
    def answer(words: tuple[str, ...]) -> Any:
        return DONE(words, 1 if "status" in words else active, "", "")

    asked(monkeypatch, answer)
    assert ("platelink status says why" in machine.lit(begun=begun)) == refused


def test_a_daemon_that_never_says_it_is_up_is_given_up(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran = asked(monkeypatch, lambda _: None)
    machine.systemctl("start", "platelink.service")
    assert ran == [("timeout", "60", "systemctl", "start", "platelink.service")]


def test_a_program_that_does_not_run_any_more_is_built_anew(
    machine: Any, own: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = own[1]
    place = machine.OPT / "releases/old"
    monkeypatch.setattr(program, "release_name", lambda: "old")
    monkeypatch.setattr(program, "sources", list)
    (place / "complete").touch()
    (place / "lib/python3.11/site-packages/pyarrow").mkdir(parents=True)
    machine.point(machine.CURRENT, place)
    ran = asked(monkeypatch, lambda _: None)
    assert program.build() == place and len(ran) == 1
    begins = iter([1, 0])

    def answer(words: tuple[str, ...]) -> Any:
        (place / "bin").mkdir(parents=True, exist_ok=True)
        return DONE(words, next(begins), "", "") if words[-1] == "--version" else None

    ran = asked(monkeypatch, answer)
    assert program.build() == place and (place / "complete").exists()
    (pip,) = [words for words in ran if "install" in words]
    assert "parquet" in pip[-1]  # what the broken one had beside itself
    assert "program" in machine.WROTE  # and the services take it up
    kept = {path.name for path in (place / "units").iterdir()}
    assert {"platelink.service", "platelink-backup.timer"} <= kept


def test_a_program_that_is_not_there_is_no_traceback(own: Any) -> None:
    run = sys.modules["installer.machine"].run  # type: ignore[attr-defined]
    assert run("/nowhere/platelink", "--version", check=False).returncode == 127
    with pytest.raises(own[0].Refused, match="No such file"):
        run("/nowhere/platelink")


def test_a_disk_that_takes_nothing_is_said(
    machine: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system", "/etc/platelink")

    monkeypatch.setattr(machine, "ready", lambda: None)
    monkeypatch.setattr(machine, "install", full)
    monkeypatch.setattr(sys, "argv", ["install.py", "install"])
    assert machine.main() == 1
    assert "refused: [Errno 30] Read-only file system: '/etc/platelink'" in capsys.readouterr().err


def test_a_configuration_with_a_mistake_in_it_is_named(machine: Any) -> None:
    machine.CONFIG.write_text("[unit\n")
    with pytest.raises(machine.Refused, match=r"platelink\.toml: .* config check"):
        machine.has_record()


def file(path: Path, form: int) -> Path:
    with sqlite3.connect(path) as made:
        made.execute(f"PRAGMA user_version = {form}")
    made.close()
    return path


def upgraded(install: Any, *forms: tuple[str, int, int]) -> Path:
    """Backed up by the old release, and (name, form then, form now) of files."""
    install.point(install.CURRENT, install.OPT / "releases/new")
    install.point(install.PREVIOUS, install.OPT / "releases/old")
    saved: Path = install.BACKUPS / "before-new-20260101T000000"
    saved.mkdir()
    files = [{"name": "journal.cursor", "place": str(install.CONFIG), "rows": {}}]
    for name, then, now in forms:
        file(saved / name, then)
        place = file(install.STATE / name, now)
        files.append({"name": name, "place": str(place), "rows": {"entries": 1}})
    (saved / "manifest.json").write_text(json.dumps({"files": files}))
    return saved


def test_any_file_of_the_record_may_be_too_new_for_the_release_before(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (machine.CONFIG).write_text(f'[journal]\npath = "{machine.STATE}/journal.sqlite"\n')
    saved = upgraded(machine, ("journal.sqlite", 3, 3), ("recipes.sqlite", 2, 2))
    assert machine.too_new(machine.OPT / "releases/new") is None
    file(machine.STATE / "recipes.sqlite", 3)
    assert machine.too_new(machine.OPT / "releases/new") == saved
    (machine.STATE / "recipes.sqlite").unlink()
    assert machine.too_new(machine.OPT / "releases/new") is None


@pytest.fixture
def broker(machine: Any, own: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """A broker with a certificate of an earlier run; openssl is the real one. Gives what was run,
    and makes it one that ends in so many days."""
    surroundings = own[2]
    monkeypatch.setattr(surroundings, "MOSQUITTO", tmp_path / "mosquitto")
    monkeypatch.setattr(shutil, "chown", lambda *_: None)
    real = subprocess.run

    def answer(words: tuple[str, ...]) -> Any:
        if words[0] == "openssl":
            return real(words, capture_output=True, text=True, check="-checkend" not in words)
        return None

    ran = asked(monkeypatch, answer)
    certs = tmp_path / "mosquitto/certs"
    named = surroundings.Network("broker.example", ("192.0.2.10",))
    assert surroundings.certificate(certs, "broker", named, "mosquitto")

    def ends(days: int) -> Path:
        key, own_, ca = certs / "broker.key", certs / "broker.crt", machine.ETC / "authority/ca"
        words = ["openssl", "req", "-x509", "-key", key, "-subj", "/CN=broker.example", "-days",
                 str(days), "-CA", f"{ca}.crt", "-CAkey", f"{ca}.key", "-out", own_]  # fmt: skip
        real(list(map(str, words)), capture_output=True, check=True)
        ran.clear()
        return Path(own_)

    return ends, ran, surroundings


def test_any_run_in_the_last_month_renews_by_the_same_authority(broker: Any) -> None:
    ends, ran, surroundings = broker
    own = ends(31)
    before = own.read_bytes()
    surroundings.renew()
    assert own.read_bytes() == before and ("systemctl", "restart", "mosquitto") not in ran
    before = ends(29).read_bytes()
    surroundings.renew()
    assert own.read_bytes() != before and ran[-1] == ("systemctl", "restart", "mosquitto")
    told = subprocess.run(
        ["openssl", "verify", "-CAfile", own.with_name("ca.crt"), "-verify_ip", "192.0.2.10",
         "-verify_hostname", "broker.example", own],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr


def test_another_authority_is_not_made_unasked(
    machine: Any, broker: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every unit trusts the one that it has the certificate of."""
    ends, _, surroundings = broker
    own = ends(10)
    before, key = own.read_bytes(), machine.ETC / "authority/ca.key"
    key.rename(key.with_name("elsewhere"))
    surroundings.renew()
    assert re.search(r"to do .*ca.key, is not here: put it back", capsys.readouterr().out)
    shutil.rmtree(key.parent)
    named = surroundings.Network("broker.example", ("192.0.2.10",))
    with pytest.raises(machine.Refused, match=r"remove .*certs/ca.crt"):
        surroundings.certificate(own.parent, "broker", named, "mosquitto")
    assert own.read_bytes() == before and not key.exists()
    own.with_name("ca.crt").unlink()
    surroundings.renew()  # told, and asked for
    assert key.exists() and own.read_bytes() != before


def test_a_release_that_is_gone_back_to_has_its_own_units(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a newer one's say may be what keeps it from coming up."""
    upgraded(machine)
    kept = machine.OPT / "releases/old/units"
    kept.mkdir()
    for name in ("platelink.service", "platelink-alerts.service"):
        (kept / name).write_text("old")
    (machine.UNITS / "platelink.service").write_text("new")
    ran = asked(monkeypatch, lambda words: DONE(words, 1, "", "") if "status" in words else None)
    machine.go_back(begun=True)
    assert [path.read_text() for path in machine.UNITS.iterdir()] == ["old"]  # no others
    acts = [words[1] if words[0] == "systemctl" else words[3] for words in ran[1:]]
    acts = [act for act in acts if act != "is-enabled"]
    assert acts[:3] == ["stop", "daemon-reload", "start"]


def test_units_alone_make_another_release(machine: Any, own: Any, tmp_path: Path) -> None:
    program = own[1]
    assert machine.SERVICES["unit"] in {path.name for path in program.sources()}


def test_a_record_that_cannot_be_set_back_stays_with_its_release(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine.CONFIG.write_text(f'[journal]\npath = "{machine.STATE}/journal.sqlite"\n')
    upgraded(machine, ("journal.sqlite", 3, 4))

    def run(*command: object, check: bool = True) -> Any:
        if "restore" in command:
            file(machine.STATE / "half.sqlite", 3)
            raise machine.Refused("no space left")
        ran.append(tuple(map(str, command)))
        return DONE(command, 0, '{"run_id": null, "light": {"state": "dark"}}', "")

    ran = asked(monkeypatch, lambda _: None)
    for module in (machine, sys.modules["installer.rehearsal"]):
        monkeypatch.setattr(module, "run", run)
    with pytest.raises(machine.Refused, match="no space"):
        machine.go_back()
    assert [path.name for path in machine.STATE.iterdir()] == ["journal.sqlite"]
    assert machine.CURRENT.resolve().name == "new"
    assert ran[-1][-2:] == ("start", "platelink-backup.timer")
