"""Dashboards and rules: current, whole, and of names that there are."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from platelink.dashboards.__main__ import texts
from platelink.dashboards.boards import BOARDS
from platelink.dashboards.grafana import dashboard
from platelink.dashboards.panel import Board, Colour, Kind, Limit, Panel
from platelink.web.records import moment_of

ROOT = Path(__file__).parents[2]
RULES = ROOT / "deploy" / "platelink.rules.yml"
OF_LINKS = ("platelink-fleet", "Link")


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


def test_what_is_not_of_a_run_leads_to_the_days_that_are_shown() -> None:
    """As Grafana writes a time: by a format of its own names, or with "iso" to the millisecond."""
    of = {"YYYY-MM-DD": "%Y-%m-%d", "iso": "%Y-%m-%dT%H:%M:%S.000Z"}
    links = {link["url"] for board in BOARDS for panel in dashboard(board)["panels"]
             for link in panel["fieldConfig"]["defaults"]["links"]}  # fmt: skip
    (history,) = [url for url in links if "/history?" in url]
    at = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    url = re.sub(r"\$\{__\w+:date:([\w-]+)\}", lambda x: at.strftime(of[x[1]]), history)
    asked = parse_qs(urlsplit(url.replace("${page}", "http://page.example")).query)
    assert set(asked) == {"since", "until"}
    assert all(moment_of(day) is not None for (day,) in asked.values())


def test_a_limit_in_a_table_colours_numbers_and_no_names() -> None:
    (fleet,) = [b for b in BOARDS if not b.unit and b.uid.endswith("fleet")]
    for panel, told in zip(fleet.panels, dashboard(fleet)["panels"], strict=True):
        coloured = [(o["matcher"], o["properties"]) for o in told["fieldConfig"]["overrides"]]
        cells = [{"id": "custom.cellOptions", "value": {"type": "color-text"}}]
        numbers = {"id": "byType", "options": "number"}
        shown = panel.kind is Kind.TABLE and panel.limits
        assert coloured == ([(numbers, cells)] if shown else [])


@pytest.mark.skipif(shutil.which("promtool") is None, reason="needs: apt-get install prometheus")
def test_a_unit_that_is_heard_no_more_stays_among_all_units(tmp_path: Path) -> None:
    (query,) = [p.query for b in BOARDS for p in b.panels if (b.uid, p.title) == OF_LINKS]
    labels = 'site="a",instance="i",job="j",unit='
    series = {"well": "1x40", "down": "0x40", "off": "1x9 stale"}
    told = {"well": 1, "down": 0, "off": 0}
    test = {
        "tests": [{
            "interval": "1m",
            "input_series": [
                *({"series": f'platelink_unit_link_up{{{labels}"{u}"}}', "values": v}
                  for u, v in series.items()),
                {"series": 'platelink_unit_link_up{site="b",unit="other"}', "values": "1x40"},
            ],
            "promql_expr_test": [{
                "expr": query.replace("$site", "a").replace("$__range", "1h"), "eval_time": "30m",
                "exp_samples": [
                    {"labels": ("" if u == "off" else "platelink_unit_link_up")
                     + f'{{{labels}"{u}"}}', "value": v} for u, v in told.items()
                ],
            }],
        }],
    }  # fmt: skip
    (tmp_path / "links.yml").write_text(json.dumps(test))  # JSON is YAML
    done = subprocess.run(
        ["promtool", "test", "rules", "links.yml"], cwd=tmp_path, check=False,
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


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
@pytest.mark.parametrize("tls", [False, True])
def test_prometheus_takes_the_scrape_configuration(tmp_path: Path, tls: bool) -> None:
    text = (ROOT / "deploy" / "platelink.scrape.yml").read_text()
    path = tmp_path / "scrape.yml"
    path.write_text(re.sub(r"^    #(?=\w)", "    ", text, flags=re.M) if tls else text)
    assert path.read_text().count("\n    scheme: https\n") == (2 if tls else 0)
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
