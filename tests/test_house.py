"""The house rules that a machine can hold: types, lint, import directions, purity, layout."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from house import SAYS_PURE, Module, circles, imported, impurities, modules_in, slices

ROOT = Path(__file__).parent.parent
BIN = Path(sys.executable).parent

ONE_IMPORTER = {
    "apprise": "alerts",
    "argon2": "people",
    "cryptography": "evidence serving",
    "pymodbus": "instruments",
    "rfc3161_client": "evidence",
    "segno": "report",
    "serial": "link",
    "typst": "report",
    "sqlite3": "ledger",
    "paho": "publish",
    "influxdb_client": "publish",
    "platesim": "simulated",
    "prometheus_client": "serving",
}


PRODUCT = modules_in(ROOT, "platelink")
TREE = PRODUCT | modules_in(ROOT / "firmware-sim", "platesim")
ALL_PURE = ("platelink.control", "platelink.sensing", "platelink.unit")
"""Packages in which every file is pure, and says so."""


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


# --- pure is pure -----------------------------------------------------------------------------


def test_what_says_it_is_pure_is_pure_and_imports_only_what_is() -> None:
    found = {m.name: impurities(m, PRODUCT) for m in PRODUCT.values() if m.is_pure}
    assert len(found) > 90
    assert not {name: faults for name, faults in found.items() if faults}


def test_it_is_said_in_the_first_line_or_not_at_all() -> None:
    late = [m.name for m in PRODUCT.values() if SAYS_PURE.search(m.docstring) and not m.is_pure]
    assert not late


def test_the_core_is_pure_throughout() -> None:
    inside = {name: m for name, m in PRODUCT.items() if name.startswith(ALL_PURE)}
    assert len(inside) > 40
    assert not [name for name, module in inside.items() if not module.is_pure]


def invented(**texts: str) -> dict[str, Module]:
    """Modules of a package that does not exist."""
    return {f"shop.{name}": Module(f"shop.{name}", text) for name, text in texts.items()}


HEAD = '"""Makes plates. Pure."""\n'


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("import time\ntime.monotonic()", "imports time"),
        ("def f():\n    from time import sleep", "imports time.sleep"),
        ("import asyncio", "imports asyncio"),
        ("import threading", "imports threading"),
        ("import socket", "imports socket"),
        ("import os\nos.environ['HOME']", "imports os"),
        ("import random", "imports random"),
        ("import secrets", "imports secrets"),
        ("from uuid import uuid4", "imports uuid.uuid4"),
        ("from pathlib import Path", "imports pathlib.Path"),
        ("import io\nio.open('x')", "imports io"),
        ("from io import open", "imports io.open"),
        ("import sqlite3", "imports sqlite3"),
        ("import unheard_of", "imports unheard_of"),
        ("open('x')", "uses open"),
        ("read = open", "uses open"),
        ("print('x')", "uses print"),
        ("hash('x')", "uses hash"),
        ("__import__('time')", "uses __import__"),
        ("from datetime import datetime\ndatetime.now()", "uses datetime.now"),
        ("from datetime import datetime as d\nf = d.utcnow", "uses d.utcnow"),
        ("import datetime as dt\ndt.datetime.now(dt.UTC)", "uses dt.datetime.now"),
        ("from datetime import date\ndate.today()", "uses date.today"),
        ("def f(at):\n    return at.astimezone()", "uses the time zone of this computer"),
        ("import numpy as np\nnp.random.default_rng()", "uses np.random"),
        ("from numpy import random", "imports numpy.random"),
        ("import numpy as np\nnp.load('x')", "uses np.load"),
        ("import shop.shell", "imports shop.shell"),
        ("from shop import shell", "imports shop.shell"),
        ("from shop.shell import now", "imports shop.shell"),
        ("import typing\nif typing.TYPE_CHECKING:\n    import shop.shell", "imports shop.shell"),
    ],
)
def test_what_is_not_pure_is_noticed(text: str, fault: str) -> None:
    modules = invented(core=HEAD + text, shell='"""The clock."""\nimport time\nnow = time.time')
    assert fault in impurities(modules["shop.core"], modules)


@pytest.mark.parametrize(
    "text",
    [
        "import math\nfrom dataclasses import dataclass",
        "from datetime import UTC, datetime\nat = datetime.fromtimestamp(0, UTC)",
        "from datetime import UTC\ndef f(at):\n    return at.astimezone(UTC)",
        "def f(self, room):\n    return self.now + room.today + room.open",
        "class Span:\n    open: bool\n    now: float",
        "import numpy as np\nnp.diff([1, 2])",
        "from io import StringIO\nfrom pathlib import PurePath",
        "from shop.table import ROWS\nimport shop",
    ],
)
def test_what_is_pure_is_left_alone(text: str) -> None:
    modules = invented(core=HEAD + text, table='"""Rows. Data only."""\nROWS = ()')
    modules["shop"] = Module("shop", '"""A shop."""\nVERSION = "1"', is_package=True)
    assert impurities(modules["shop.core"], modules) == set()


def test_a_package_that_does_something_is_not_pure_unless_it_says_so() -> None:
    assert Module("shop", '"""A shop."""', is_package=True).is_pure
    assert not Module("shop", '"""A shop."""').is_pure
    assert not Module("shop", '"""A shop."""\nimport time', is_package=True).is_pure
    assert not Module("shop.core", '"""Makes plates.\n\nAll of it pure.\n"""').is_pure


# --- structure --------------------------------------------------------------------------------


def test_no_modules_import_each_other() -> None:
    assert len(TREE) > 250
    assert circles(TREE) == []


def test_a_circle_is_noticed() -> None:
    modules = invented(
        a="from shop import b", b="def f():\n    import shop.c", c="from shop.a import x",
        d="import shop.a", e="from shop.e import itself",
    )  # fmt: skip
    assert circles(modules) == [["shop.a", "shop.b", "shop.c"]]


def test_no_class_is_cut_into_slices() -> None:
    assert slices(TREE) == set()


def test_a_slice_is_noticed() -> None:
    base, heir = "class {}:\n    pass", "\nclass {}({}):\n    pass"
    modules = invented(
        side=base.format("Side"),
        core="from shop.side import Side" + heir.format("Core", "Side"),
        whole="import shop.core" + heir.format("Whole", "shop.core.Core"),
        shape=base.format("Shape"),
        one="from shop import shape" + heir.format("One", "shape.Shape"),
        two="from shop.shape import Shape as S" + heir.format("Two", "S"),
        fault=base.format("Fault") + heir.format("Worse", "Fault"),
        seen="from shop.fault import Fault\ntry:\n    pass\nexcept Fault:\n    pass",
        other=base.format("Side"),
    )
    assert slices(modules) == {"shop.side.Side", "shop.core.Core"}


LONGEST = 400


def test_no_file_is_too_long() -> None:
    assert not [name for name, module in TREE.items() if module.text.count("\n") > LONGEST]


@pytest.mark.parametrize(("package", "home"), ONE_IMPORTER.items())
def test_outside_packages_have_one_home(package: str, home: str) -> None:
    users = [
        m.name for m in PRODUCT.values() if package in {p.split(".")[0] for p, _ in imported(m)}
    ]
    assert users, f"nothing imports {package}"
    assert {name.split(".")[1] for name in users} <= set(home.split()), users
    assert len(users) <= 2 or package == "platesim", users


def test_product_code_has_no_test_switch() -> None:
    for module in PRODUCT.values():
        assert "pytest" not in module.text.lower(), module.name


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
