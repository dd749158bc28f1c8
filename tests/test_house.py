"""The house rules that a machine can hold: types, lint, import directions, purity, layout."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
BIN = Path(sys.executable).parent

IO_MODULES = {
    "asyncio", "datetime", "io", "logging", "os", "paho", "pathlib", "random", "requests",
    "secrets", "select", "serial", "shutil", "signal", "socket", "sqlite3", "subprocess",
    "tempfile", "termios", "threading", "time", "urllib", "uuid", "influxdb_client",
}  # fmt: skip
PURE = [
    "platelink/units.py",
    "platelink/runs.py",
    "platelink/canonical.py",
    "platelink/forms/write.py",
    "platelink/people/names.py",
    "platelink/people/rights.py",
    "platelink/people/rules.py",
    "platelink/people/secret.py",
    "platelink/recipe/diff.py",
    "platelink/recipe/model.py",
    "platelink/recipe/quantities.py",
    "platelink/recipe/steps.py",
    "platelink/control",
    "platelink/sensing",
    "platelink/daemon/core.py",
    "platelink/daemon/recording.py",
    "platelink/link/framing.py",
    "platelink/link/messages.py",
    "platelink/link/clockmap.py",
    "platelink/link/session.py",
    "platelink/link/reconnect.py",
    "platelink/publish/outbox.py",
    "platelink/publish/topics.py",
    "platelink/record/check.py",
    "platelink/record/recover.py",
    "platelink/web/facts.py",
]
ONE_IMPORTER = {
    "argon2": "people",
    "serial": "link",
    "paho": "publish",
    "influxdb_client": "publish",
}


def python_files(*places: str) -> list[Path]:
    files: list[Path] = []
    for place in places:
        path = ROOT / place
        files += [path] if path.is_file() else sorted(path.rglob("*.py"))
    return files


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=" ".join,
)
def test_checker(command: list[str]) -> None:
    run = subprocess.run(
        [str(BIN / command[0]), *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr


def test_pure_modules_import_no_clock_thread_socket_or_file() -> None:
    faults = {}
    for path in python_files(*PURE):
        allowed = {"datetime"} if "sensing" in path.parts or path.name == "recover.py" else set()
        bad = imports(path) & IO_MODULES - allowed
        if bad:
            faults[str(path.relative_to(ROOT))] = sorted(bad)
    assert not faults


@pytest.mark.parametrize(("package", "home"), ONE_IMPORTER.items())
def test_outside_packages_have_one_home(package: str, home: str) -> None:
    users = [path for path in python_files("platelink") if package in imports(path)]
    assert users, f"nothing imports {package}"
    assert all(path.parent.name == home for path in users), users
    assert len(users) <= 2, users


def test_product_code_has_no_test_switch() -> None:
    for path in python_files("platelink"):
        text = path.read_text()
        assert "pytest" not in text and "PYTEST" not in text, path


def test_nothing_is_added_at_the_top_level() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not tracked:
        pytest.skip("not a git checkout")
    allowed = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "platelink", "firmware-sim",
        "tests", "dashboards", "deploy", "docs", ".ci",
    }  # fmt: skip
    top = {name.split("/")[0] for name in tracked}
    assert not {name for name in top - allowed if not name.startswith(".")}
