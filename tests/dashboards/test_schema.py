"""The dashboards' JSON against the types that Grafana publishes of it (npm's @grafana/schema), by
TypeScript's strict checker. Grafana itself is not run: it is in none of the registries used here.
"""

from __future__ import annotations

import copy
import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from platelink.dashboards.boards import BOARDS
from platelink.dashboards.grafana import dashboard

PACKAGES = ("@grafana/schema@13.2.3", "typescript@7.0.2")
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "platelink-tests"
TEXT = (Path(__file__).parent / "held_to_schema.ts").read_text("utf-8")
OPTIONS = ("--strict", "--noEmit", "--skipLibCheck", "--module", "nodenext", "--target", "es2022")

pytestmark = [
    pytest.mark.timeout(600),
    pytest.mark.skipif(shutil.which("npm") is None, reason="needs node: apt-get install npm"),
]
Check = Callable[[Any], str]


@pytest.fixture(scope="module")
def check(tmp_path_factory: pytest.TempPathFactory) -> Check:
    """Faults of dashboards; empty: none."""
    place = CACHE / "-".join(package.rpartition("/")[2] for package in PACKAGES)
    tsc = place / "node_modules" / ".bin" / "tsc"
    if not tsc.exists():
        place.mkdir(parents=True, exist_ok=True)
        install = ["npm", "install", "--no-audit", "--no-fund", "--prefix", str(place), *PACKAGES]
        try:
            done = subprocess.run(install, check=False, capture_output=True, text=True, timeout=150)
        except subprocess.TimeoutExpired:
            pytest.skip(f"npm cannot install {' '.join(PACKAGES)} within 150 s")
        if done.returncode or not tsc.exists():
            pytest.skip(f"npm cannot install {' '.join(PACKAGES)}: {done.stderr[-200:]}")
    folder = tmp_path_factory.mktemp("types")
    (folder / "node_modules").symlink_to(place / "node_modules")

    def found(boards: Any) -> str:
        literal = json.dumps(boards, ensure_ascii=False, indent=1)
        (folder / "check.ts").write_text(TEXT.replace("= DASHBOARDS", f"= {literal}"), "utf-8")
        told = subprocess.run(
            [tsc, *OPTIONS, "check.ts"], check=False, cwd=folder, capture_output=True, text=True,
            timeout=200,
        )  # fmt: skip
        assert (told.returncode != 0) == bool(told.stdout), told
        return told.stdout

    return found


def test_every_dashboard_has_the_schema(check: Check) -> None:
    assert check([dashboard(board) for board in BOARDS]) == ""


WRONG: dict[str, Callable[[Any], None]] = {
    "a mode of thresholds": lambda b: b["panels"][0]["fieldConfig"]["defaults"][
        "thresholds"
    ].update(mode="absolut"),
    "a kind of panel": lambda b: b["panels"][0].update(type="gauge-like"),
    "a way of drawing": lambda b: _lines(b)["fieldConfig"]["defaults"]["custom"].update(
        drawStyle="zigzag"
    ),
    "an option": lambda b: _lines(b)["options"]["legend"].update(displayMode="lst"),
    "a key that is none": lambda b: _lines(b)["options"].update(legends={}),
    "a colour of cells": lambda b: _table(b)["fieldConfig"].update(
        overrides=[
            {
                "matcher": {"id": "byType", "options": "number"},
                "properties": [{"id": "custom.cellOptions", "value": {"type": "colored"}}],
            }
        ]
    ),
    "a place": lambda b: b["panels"][0]["gridPos"].update(w="12"),
    "a variable": lambda b: b["templating"]["list"][0].update(type="source"),
    "a link": lambda b: b["links"][0].update(type="dashboard"),
    "a query": lambda b: b["panels"][0]["targets"][0].pop("refId"),
}


def _lines(board: Any) -> Any:
    return next(panel for panel in board["panels"] if panel["type"] == "timeseries")


def _table(board: Any) -> Any:
    return next(panel for panel in board["panels"] if panel["type"] == "table")


def test_what_is_wrong_is_noticed(check: Check) -> None:
    """Else the check would say nothing: all in one go, each must be told."""
    boards = []
    for change in WRONG.values():
        boards.append(copy.deepcopy(dashboard(BOARDS[0])))
        change(boards[-1])
    starts, line = [], 0
    before = TEXT.split("= DASHBOARDS", maxsplit=1)[0].count("\n") + 1
    for board in boards:
        starts.append(before + 1 + line)
        line += json.dumps(board, ensure_ascii=False, indent=1).count("\n") + 1
    told = [int(x.split("(")[1].split(",")[0]) for x in check(boards).splitlines() if "(" in x[:20]]
    missed = [
        name
        for name, start, end in zip(WRONG, starts, [*starts[1:], before + 1 + line], strict=True)
        if not any(start <= at < end for at in told)
    ]
    assert not missed, missed
