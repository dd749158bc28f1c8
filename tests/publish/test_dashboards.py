"""The dashboards' own form; a live store answers their queries in the tests with services."""

import json
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "dashboards"
PANEL = {"id", "title", "kind", "unit", "query", "legend", "thresholds"}


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.json")), ids=lambda p: p.name)
def test_dashboard_is_well_formed(path):
    board = json.loads(path.read_text("utf-8"))
    assert board["format"] == 1 and board["range_s"] > 0 and board["title"]
    known = {*board["variables"], "range"}
    ids = [panel["id"] for panel in board["panels"]]
    assert len(set(ids)) == len(ids) > 0
    for panel in board["panels"]:
        assert set(panel) == PANEL
        assert panel["kind"] in ("line", "table", "stat")
        assert set(re.findall(r"\$(\w+)", panel["query"])) <= known
        for name in board["variables"]:
            assert f'{name}="${name}"' in panel["query"], f"{panel['id']} does not select {name}"
        for limit in panel["thresholds"]:
            assert limit["state"] in ("attention", "alarm") and limit["note"]
            assert len({"above", "below"} & set(limit)) == 1
