"""Dashboards as the JSON that Grafana loads: its schema of dashboards, version 39. Pure.

The types of npm's ``@grafana/schema`` check what comes out in ``tests/dashboards``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from platelink.dashboards.panel import Board, Kind, Limit, Panel

Json = dict[str, Any]
SCHEMA_VERSION: Final = 39
COLUMNS: Final = 24
HEIGHT: Final = {Kind.LINES: 8, Kind.TABLE: 8, Kind.STAT: 5}
SOURCE: Final = {"type": "prometheus", "uid": "${store}"}
PAGE: Final = "http://127.0.0.1:8460"
"""Where the unit's page is; a field of the dashboard, to be changed there."""
RECORD: Final = {"title": "Record", "targetBlank": True}
_TIME: Final = "Time"


def dashboard(board: Board) -> Json:
    """The whole dashboard. It has no ``id``: that is its number where it is loaded into."""
    return {
        "uid": board.uid,
        "title": board.title,
        "description": board.about,
        "tags": ["platelink"],
        "timezone": "browser",
        "schemaVersion": SCHEMA_VERSION,
        "version": 1,
        "editable": True,
        "graphTooltip": 1,
        "refresh": f"{board.refresh_s}s",
        "time": {"from": f"now-{board.hours:g}h", "to": "now"},
        "templating": {"list": list(_variables(board))},
        "annotations": {"list": []},
        "links": [
            {"title": "platelink", "type": "dashboards", "tags": ["platelink"], "asDropdown": True,
             "includeVars": True, "keepTime": True, "targetBlank": False, "icon": "external link",
             "tooltip": "", "url": ""},
        ],
        "panels": list(_placed(board.panels)),
    }  # fmt: skip


def _variables(board: Board) -> Iterator[Json]:
    yield {
        "name": "store",
        "label": "Store",
        "type": "datasource",
        "query": "prometheus",
        "hide": 0,
    }
    yield _chosen("site", "Site", "label_values(platelink_run_end_samples, site)")
    if board.unit:
        of = 'label_values(platelink_run_end_samples{site="$site"}, unit)'
        yield _chosen("unit", "Unit", of)
    yield {
        "name": "page", "label": "Address of the page", "type": "textbox", "query": PAGE,
        "current": {"text": PAGE, "value": PAGE}, "options": [], "hide": 0,
    }  # fmt: skip


def _chosen(name: str, label: str, query: str) -> Json:
    return {
        "name": name, "label": label, "type": "query", "datasource": SOURCE, "query": query,
        "refresh": 2, "sort": 1, "hide": 0, "multi": False, "includeAll": False, "options": [],
    }  # fmt: skip


def _placed(panels: tuple[Panel, ...]) -> Iterator[Json]:
    """Side by side until a row is full."""
    x = y = tallest = 0
    for number, panel in enumerate(panels, 1):
        height = HEIGHT[panel.kind]
        if x + panel.width > COLUMNS:
            x, y, tallest = 0, y + tallest, 0
        place = {"x": x, "y": y, "w": panel.width, "h": height}
        yield _panel(panel, number) | {"gridPos": place}
        x, tallest = x + panel.width, max(tallest, height)


def _panel(panel: Panel, number: int) -> Json:
    lines = panel.kind is Kind.LINES
    told: Json = {
        "id": number,
        "type": panel.kind.value,
        "title": panel.title,
        "description": panel.about,
        "datasource": SOURCE,
        "targets": [
            {"refId": "A", "datasource": SOURCE, "expr": panel.query, "instant": not lines,
             "range": lines, "legendFormat": panel.legend or "__auto",
             "format": "table" if panel.kind is Kind.TABLE else "time_series"},
        ],
        "fieldConfig": {"defaults": _shown(panel), "overrides": []},
        "options": OPTIONS[panel.kind],
    }  # fmt: skip
    if panel.kind is Kind.TABLE:
        if panel.limits:
            told["fieldConfig"]["overrides"] = [COLOURED]
        told["transformations"] = [
            {"id": "organize", "options": {"excludeByName": {_TIME: True, "site": True}}}
        ]
    return told


def _shown(panel: Panel) -> Json:
    told: Json = {
        "unit": panel.unit,
        "color": {"mode": "palette-classic" if panel.kind is Kind.LINES else "thresholds"},
        "thresholds": {"mode": "absolute", "steps": _steps(panel.limits)},
        "custom": CUSTOM[panel.kind],
        "links": [_link(panel)],
    }
    return told if panel.decimals is None else told | {"decimals": panel.decimals}


def _link(panel: Panel) -> Json:
    """To the record of a run where the series are of runs; else to what was made in the time
    that is shown."""
    of_runs = "platelink_run_" in panel.query and ("{{run}}" in panel.legend)
    if not of_runs:
        since, until = (f"${{__{end}:date:YYYY-MM-DD}}" for end in ("from", "to"))  # days
        return RECORD | {"url": f"${{page}}/history?since={since}&until={until}"}
    where = "${__data.fields.run}" if panel.kind is Kind.TABLE else "${__field.labels.run}"
    return RECORD | {"url": f"${{page}}/records/{where}"}


def _steps(limits: tuple[Limit, ...]) -> list[Json]:
    """Grafana's steps: each holds from its value upwards."""
    below = sorted((x for x in limits if x.below), key=lambda x: x.at)
    above = sorted((x for x in limits if not x.below), key=lambda x: x.at)
    steps: list[Json] = []
    floor: float | None = None
    for limit in below:
        steps.append({"value": floor, "color": limit.colour.value})
        floor = limit.at
    steps.append({"value": floor, "color": "text"})
    return steps + [{"value": limit.at, "color": limit.colour.value} for limit in above]


COLOURED: Final[Json] = {
    "matcher": {"id": "byType", "options": "number"},
    "properties": [{"id": "custom.cellOptions", "value": {"type": "color-text"}}],
}
"""A cell of a table shows no limit by itself; names would take that of the lowest number."""
CUSTOM: Final[dict[Kind, Json]] = {
    Kind.LINES: {
        "drawStyle": "line", "lineInterpolation": "linear", "lineWidth": 1, "fillOpacity": 0,
        "showPoints": "auto", "spanNulls": False, "insertNulls": 60000,
        "thresholdsStyle": {"mode": "line"},
    },
    Kind.TABLE: {"align": "auto", "cellOptions": {"type": "auto"}, "inspect": False},
    Kind.STAT: {},
}  # fmt: skip
OPTIONS: Final[dict[Kind, Json]] = {
    Kind.LINES: {
        "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True, "calcs": []},
        "tooltip": {"mode": "multi", "sort": "none"},
    },
    Kind.TABLE: {"showHeader": True, "cellHeight": "sm", "frameIndex": 0},
    Kind.STAT: {
        "reduceOptions": {"values": False, "calcs": ["lastNotNull"], "fields": ""},
        "textMode": "auto", "colorMode": "value", "graphMode": "none", "justifyMode": "auto",
        "orientation": "auto", "wideLayout": True, "showPercentChange": False,
        "percentChangeColorMode": "standard",
    },
}  # fmt: skip
