"""Dashboards and rules: current, whole, and of names that there are."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from platelink.dashboards.__main__ import texts
from platelink.dashboards.boards import BOARDS
from platelink.dashboards.grafana import dashboard
from platelink.dashboards.panel import Board, Colour, Kind, Limit, Panel

ROOT = Path(__file__).parents[2]
RULES = ROOT / "deploy" / "platelink.rules.yml"


def test_the_files_are_current() -> None:
    found = {path.name: path.read_text("utf-8") for path in (ROOT / "dashboards").glob("*.json")}
    assert found == texts(), "run: python -m platelink.dashboards dashboards"


def test_every_panel_of_a_unit_asks_for_that_unit() -> None:
    for board in BOARDS:
        for panel in board.panels:
            chosen = set(re.findall(r'(\w+)="\$(\w+)"', panel.query))
            assert all(label == name for label, name in chosen)
            if board.unit:
                assert {name for _, name in chosen} == {"site", "unit"}, panel.title
            assert set(re.findall(r"\$(\w+)", panel.query)) <= {"site", "unit", "__range"}
    assert len({board.uid for board in BOARDS}) == len(BOARDS) == 8


def shown(*limits: Limit) -> list[Any]:
    panel = Panel(title="t", query="q", unit="s", kind=Kind.STAT, limits=limits)
    told = dashboard(Board("u", "t", "", (panel,)))["panels"][0]
    steps = told["fieldConfig"]["defaults"]["thresholds"]["steps"]
    return [(step["value"], step["color"]) for step in steps]


def test_a_limit_colours_what_is_past_it() -> None:
    """Grafana colours from a step's value upwards."""
    low, lower = Limit(56.0, Colour.ATTENTION, below=True), Limit(50.0, Colour.ALARM, below=True)
    high = Limit(80.0, Colour.ATTENTION)
    assert shown(high) == [(None, "text"), (80.0, "yellow")]
    assert shown(low, high, lower) == [
        (None, "red"), (50.0, "yellow"), (56.0, "text"), (80.0, "yellow"),
    ]  # fmt: skip


def test_panels_lie_side_by_side_and_none_on_another() -> None:
    for board in BOARDS:
        taken: set[tuple[int, int]] = set()
        for panel in dashboard(board)["panels"]:
            at = panel["gridPos"]
            cells = {(at["x"] + i, at["y"] + j) for i in range(at["w"]) for j in range(at["h"])}
            assert not taken & cells and max(x for x, _ in cells) < 24
            taken |= cells


def test_runs_lead_to_their_record() -> None:
    (table,) = (p for p in dashboard(BOARDS[1])["panels"] if p["title"] == "Light time")
    (link,) = table["fieldConfig"]["defaults"]["links"]
    assert link["url"] == "${page}/records/${__data.fields.run}"


def test_what_is_asked_for_is_told_in_the_documents() -> None:
    told = (ROOT / "docs" / "monitoring.md").read_text() + (ROOT / "docs/publishing.md").read_text()
    asked = " ".join([RULES.read_text(), *(panel.query for b in BOARDS for panel in b.panels)])
    names = set(re.findall(r"\bplatelink_(?:unit|recorder|page|certificate)_\w+", asked))
    assert len(names) > 20
    assert not {name for name in names if f"`{name}`" not in told}


@pytest.mark.skipif(shutil.which("promtool") is None, reason="needs: apt-get install prometheus")
def test_rules_call_when_they_should_and_only_then(tmp_path: Path) -> None:
    shutil.copy(RULES, tmp_path)
    shutil.copy(Path(__file__).parent / "rules_test.yml", tmp_path)
    done = subprocess.run(
        ["promtool", "test", "rules", "rules_test.yml"], cwd=tmp_path, check=False,
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_rule_is_tested() -> None:
    tested = (Path(__file__).parent / "rules_test.yml").read_text()
    for name in re.findall(r"alert: (\w+)", RULES.read_text()):
        of_it = re.findall(rf"alertname: {name}\n\s+exp_alerts:(.*)", tested)
        assert any(text.strip() != "[]" for text in of_it), name


@pytest.mark.skipif(shutil.which("promtool") is None, reason="needs: apt-get install prometheus")
def test_prometheus_takes_the_scrape_configuration() -> None:
    path = ROOT / "deploy" / "platelink.scrape.yml"
    done = subprocess.run(
        ["promtool", "check", "config", "--syntax-only", str(path)], check=False,
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(
    shutil.which("vmalert") is None, reason="needs: apt-get install victoria-metrics"
)
def test_vmalert_takes_the_rules() -> None:
    done = subprocess.run(
        ["vmalert", "-dryRun", f"-rule={RULES}"], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_each_board_is_json_that_reads_back() -> None:
    for text in texts().values():
        assert json.loads(text)["tags"] == ["platelink"]
