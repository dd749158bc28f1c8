"""Every query of every dashboard, asked of a live store that holds an invented run."""

from __future__ import annotations

import json
import math
import time
import urllib.parse
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from publish import publish_samples as ps

from platelink.publish.intake import Accepted, judge
from platelink.publish.recorder_journal import RecorderJournal
from platelink.publish.services import StoreService
from platelink.publish.store import Store, StoreSettings
from platelink.publish.topics import Topics
from platelink.runs import AnyEntry, RunEnd, RunSamples

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        StoreService.find() is None, reason="needs: apt-get install victoria-metrics"
    ),
]

FOLDER = Path(__file__).parents[2] / "dashboards"
PANELS = [
    pytest.param(board, panel, id=f"{path.stem}-{panel['id']}")
    for path in sorted(FOLDER.glob("*.json"))
    for board in [json.loads(path.read_text("utf-8"))]
    for panel in board["panels"]
]
BLOCKS, PER_BLOCK = 20, 10
EXPECTED = {  # worked out by hand from the run below
    "dose_error": 100 * (340.1 / 340.0 - 1),
    "dose_plates": 1.5,
    "dose_meter": 14.0,
    "dose_disagreement": 100 * (340.1 / 340.2 - 1),
    "light_time": 60.5,
    "runs_by_state": 1.0,
    "events": 1.0,
    "missing_samples": 0.0,
}


def recent_run(begun: datetime) -> list[AnyEntry]:
    """The invented run, just now, with the temperatures that a real one has."""
    entries: list[AnyEntry] = []
    for entry in ps.whole_run(BLOCKS, PER_BLOCK):
        moved = {"at_utc": entry.at_utc + (begun - ps.AT)}
        if isinstance(entry, RunSamples):
            shift_ms = round((begun - ps.AT).total_seconds() * 1000)
            warm = {"oven_c": (65.5,) * PER_BLOCK, "head_c": (31.25,) * PER_BLOCK}
            moved["at_utc_ms"] = tuple(t + shift_ms for t in entry.at_utc_ms)
            moved["values"] = entry.values | warm
        if isinstance(entry, RunEnd):
            moved["data"] = {"uncertainty": ps.UNCERTAINTY}
        entries.append(entry.model_copy(update=moved))
    return entries


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dashboards")
    service = StoreService(folder / "store")
    service.start()
    topics = Topics(ps.SITE, ps.UNIT)
    now_ms = time.time_ns() // 1_000_000
    entries = recent_run(datetime.now(UTC).replace(microsecond=0) - timedelta(seconds=60))
    judged = [judge(topics.of(e), e.model_dump_json().encode(), utc_ms=now_ms) for e in entries]
    assert all(isinstance(j, Accepted) for j in judged)
    journal = RecorderJournal(folder / "recorder.db")
    client = Store(StoreSettings(service.url))
    client.write(journal.lines_of(journal.commit(judged, utc_ms=now_ms)))
    client.close()
    journal.close()
    urllib.request.urlopen(f"{service.url}/internal/force_flush", timeout=10).read()
    yield service
    service.stop()


def ask(store: StoreService, board: dict, panel: dict) -> list[float]:
    """The newest value of every series that the panel shows."""
    query = panel["query"].replace("$site", ps.SITE).replace("$unit", ps.UNIT)
    query = query.replace("$range", f"{board['range_s']}s")
    assert "$" not in query
    now = time.time()
    if panel["kind"] == "line":
        span = {"start": now - board["range_s"], "end": now, "step": "5s"}
        path = "/api/v1/query_range?" + urllib.parse.urlencode({"query": query} | span)
    else:
        path = "/api/v1/query?" + urllib.parse.urlencode({"query": query, "time": now})
    with urllib.request.urlopen(store.url + path, timeout=10) as answer:
        result = json.load(answer)["data"]["result"]
    return [float((r["values"][-1] if "values" in r else r["value"])[1]) for r in result]


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_query_is_answered_by_a_store_with_a_run(store, board, panel):
    deadline = time.monotonic() + 12
    while not (values := ask(store, board, panel)) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert values, "no series"
    assert all(math.isfinite(value) for value in values)
    if panel["id"] in EXPECTED:
        assert values == pytest.approx([EXPECTED[panel["id"]]] * len(values), abs=1e-9)


def test_a_unit_without_runs_shows_nothing(store):
    for param in PANELS:
        board, panel = param.values
        other = panel | {"query": panel["query"].replace("$unit", "no-such-unit")}
        assert ask(store, board, other) == []
