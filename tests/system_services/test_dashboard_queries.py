"""Every query of every dashboard, asked of a live store that holds a week of two simulated units,
and the figures that service and recorder give to scrapers. Grafana itself is not run."""

from __future__ import annotations

import json
import math
import re
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from browser.documents import ALARMS, DEVICE, LAMPS
from record import make
from whole_documents import STATUS

from platelink.api.figures import of_disk, of_lamps, of_sensors, of_unit
from platelink.contract.lamps import LampsNow
from platelink.contract.runs import Device
from platelink.contract.unit import Status
from platelink.daemon.journaling import Journaling
from platelink.dashboards.boards import BOARDS
from platelink.dashboards.grafana import dashboard
from platelink.publish.figures import of_recorder
from platelink.publish.intake import Accepted, judge
from platelink.publish.recorder import RecorderStatus
from platelink.publish.recorder_journal import Counts, RecorderJournal
from platelink.publish.services import StoreService
from platelink.publish.store import Store, StoreSettings
from platelink.publish.topics import Topics
from platelink.record.reader import JournalReader
from platelink.record.writer import JournalWriter
from platelink.runs import AnyEntry, RunSamples
from platelink.serving.figures import text_of
from platelink.simulated.plates import Operator, example, plan, unit_for_plates

pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(400),
    pytest.mark.skipif(
        StoreService.find() is None, reason="needs: apt-get install victoria-metrics"
    ),
]

SITE, UNITS = "invented-shop", ("unit-1", "unit-2")
DAYS = 7
PANELS = [
    pytest.param(board, panel, id=f"{board['uid']}-{panel['title']}")
    for board in map(dashboard, BOARDS)
    for panel in board["panels"]
]
PUBLISHER = {"connected": True, "pending": 0, "lag_s": 0.0, "problem": ""}
READING = {"irradiance_mw_cm2": 0.0, "vacuum_kpa": 0.1, "oven_c": 58.2, "head_c": 27.5,
           "water_c": None, "inputs": 0, "quality": []}  # fmt: skip
ONE_A_DAY = {"Plates finished in a day": 1.0, "Samples of finished runs that the store lacks": 0.0}
"""What is known beforehand: a plate a day and unit, and nothing lost."""
MAY_BE_EMPTY = {"Runs that were interrupted"}
"""All went well in that week."""


def a_plate(path: Path) -> list[AnyEntry]:
    """Every entry of one simulated plate, as its journal tells them."""
    simulation = unit_for_plates()
    simulation.make_plate(plan("P-1", example()))
    Operator(simulation).work()
    with make.journal_at(path) as journal:
        Journaling(JournalWriter(journal), make.UNIT).write(simulation.outputs, now=0.0)
    with JournalReader.open(path) as reader:
        return [row.entry for row in reader.outbox_after(0, 100_000)]


def a_week(plate: list[AnyEntry], unit: str, end: datetime) -> Iterator[AnyEntry]:
    """The same plate made anew each day, the last one just now."""
    number, last = 0, max(entry.at_utc for entry in plate)
    for day in range(DAYS):
        shift = end - timedelta(days=DAYS - 1 - day) - last
        shift_ms = round(shift.total_seconds() * 1000)
        for entry in plate:
            number += 1
            more: dict[str, Any] = {
                "id": f"{unit}-{number}", "unit": unit, "at_utc": entry.at_utc + shift,
            }  # fmt: skip
            if entry.run_id is not None:
                more["run_id"] = f"{entry.run_id}-{unit}-{day}"
            if isinstance(entry, RunSamples):
                more["at_utc_ms"] = tuple(at + shift_ms for at in entry.at_utc_ms)
            yield entry.model_copy(update=more)


def alarm_of(unit: str, at: datetime) -> dict[str, Any]:
    """A leak an hour ago, as an entry."""
    data = {"alarm": "contact leaks", "priority": "medium", "group": "contact", "from": "normal",
            "to": "unacknowledged", "act": "raised", "value": 1.0, "limit": 2.0, "unit": "kPa/min",
            "since_utc_ms": 1, "until_utc_ms": None, "first_out": True, "who": None, "why": None,
            "of_run": None, "plate": None}  # fmt: skip
    return {"id": f"{unit}-other-1", "run_id": None, "unit": unit, "at_utc": at.isoformat(),
            "kind": "event", "name": "alarm", "data": data}  # fmt: skip


def scraped(unit: str) -> str:
    """What a scraper reads of a unit's service and of the recorder, with the label of its job."""
    labels = {"site": SITE, "unit": unit}
    more = {"alarms": ALARMS, "publisher": PUBLISHER, "reading": READING}
    status = Status.model_validate_json(json.dumps(STATUS | more))
    told = RecorderStatus(
        connected=True, counts=Counts(received=9), pending=0, lag_s=0.0, unconfirmed=3,
        lines_written=9, rows_written_again=0, store_start=1.0, store_restarts=0,
        store_rows_refused=0, broker_problem="", store_problem="", journal_problem="",
    )  # fmt: skip
    figures = [
        *of_unit(status, labels, 0.1), of_disk(10**9, labels),
        of_sensors(Device.model_validate_json(json.dumps(DEVICE)).sensors, labels),
        *of_lamps(LampsNow.model_validate_json(json.dumps(LAMPS)), labels),
        *of_recorder(told, {(SITE, unit): time.time_ns() // 1_000_000}, "recorder", 0.1),
    ]  # fmt: skip
    text = text_of(figures)
    return re.sub(r"^(process_\w+) ", r'\1{job="platelink",instance="here"} ', text, flags=re.M)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StoreService]:
    folder = tmp_path_factory.mktemp("dashboards")
    service = StoreService(folder / "store")
    service.start()
    try:
        fill(service, folder)
        yield service
    finally:
        service.stop()


def fill(service: StoreService, folder: Path) -> None:
    client = Store(StoreSettings(service.url, timeout_s=60.0))
    plate, now = a_plate(folder / "plate.sqlite"), datetime.now(UTC)
    now_ms = time.time_ns() // 1_000_000
    with closing(RecorderJournal(folder / "recorder.db")) as journal:
        for unit in UNITS:
            topics = Topics(SITE, unit)
            entries = list(a_week(plate, unit, now - timedelta(seconds=20)))
            texts = [(topics.of(e), e.model_dump_json().encode()) for e in entries]
            batch = [judge(*text, utc_ms=now_ms) for text in texts]
            alarm = json.dumps(alarm_of(unit, now - timedelta(hours=1))).encode()
            batch.append(judge(f"{topics.base}/event", alarm, utc_ms=now_ms))
            assert all(isinstance(one, Accepted) for one in batch), batch[-1]
            for first in range(0, len(batch), 400):
                rows = journal.commit(batch[first : first + 400], utc_ms=now_ms)
                client.write(journal.lines_of(rows))
    client.close()
    for ago_s in range(600, 0, -15):
        scrape(service, now_ms - 1000 * ago_s)


@pytest.fixture(autouse=True)
def fresh(store: StoreService) -> None:
    """A scrape of this moment: without one a figure is no longer shown."""
    scrape(store, time.time_ns() // 1_000_000)
    urllib.request.urlopen(f"{store.url}/internal/force_flush", timeout=10).read()


def scrape(store: StoreService, at_ms: int) -> None:
    """As a scraper of these intervals leaves it."""
    for unit in UNITS:
        url = f"{store.url}/api/v1/import/prometheus?timestamp={at_ms}"
        urllib.request.urlopen(url, scraped(unit).encode(), timeout=10).read()


def ask(store: StoreService, board: dict[str, Any], panel: dict[str, Any]) -> list[float]:
    """The newest value of every series that the panel shows."""
    (target,) = panel["targets"]
    hours = re.fullmatch(r"now-(\d+)h", board["time"]["from"])
    assert hours is not None
    query = target["expr"].replace("$site", SITE).replace("$unit", panel.get("of", UNITS[0]))
    query = query.replace("$__range", f"{hours[1]}h")
    assert "$" not in query
    now = time.time()
    if target["range"]:
        seconds = 3600.0 * int(hours[1])
        span = {"start": now - seconds, "end": now, "step": f"{max(5, round(seconds / 500))}s"}
        path = "/api/v1/query_range?" + urllib.parse.urlencode(
            {"query": query, "nocache": 1} | span
        )
    else:
        path = "/api/v1/query?" + urllib.parse.urlencode({"query": query, "time": now})
    with urllib.request.urlopen(store.url + path, timeout=20) as answer:
        result = json.load(answer)["data"]["result"]
    return [float((r["values"][-1] if "values" in r else r["value"])[1]) for r in result]


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_query_is_answered_by_a_store_with_a_week(
    store: StoreService, board: dict[str, Any], panel: dict[str, Any]
) -> None:
    deadline = time.monotonic() + 20
    while not (values := ask(store, board, panel)) and time.monotonic() < deadline:
        if panel["title"] in MAY_BE_EMPTY:
            return
        time.sleep(0.5)
    assert values, "no series"
    assert all(math.isfinite(value) for value in values)
    if panel["title"] in ONE_A_DAY:
        assert values == [ONE_A_DAY[panel["title"]]] * len(values)
    if panel["title"].startswith("Dose against target"):
        shown = DAYS if board["time"]["from"] == "now-168h" else 1
        assert len(values) == 3 * shown and max(map(abs, values)) < 0.1


def test_a_unit_without_runs_shows_nothing(store: StoreService) -> None:
    for param in PANELS:
        board, panel = param.values
        if '"$unit"' in panel["targets"][0]["expr"]:  # type: ignore[index]
            shown = ask(store, board, panel | {"of": "no-such-unit"})  # type: ignore[arg-type, operator]
            assert shown in ([], [0.0]), panel["title"]  # type: ignore[index]


def test_missing_samples_are_counted_where_none_came_as_well(
    store: StoreService,
) -> None:
    now_ms = time.time_ns() // 1_000_000 - 60_000

    def came(unit: str, count: int, told: int) -> None:
        of = f'site="{SITE}",unit="{unit}",step="film"'
        lines = [f'platelink_sample{{{of},slot="0"}} 1 {now_ms + 50 * n}' for n in range(count)]
        end = f'platelink_run_end_samples{{{of},run="r-1",state="complete"}}'
        lines.append(f"{end} {told} {now_ms + 20_000}")
        url = f"{store.url}/api/v1/import/prometheus"
        urllib.request.urlopen(url, "\n".join(lines).encode(), timeout=10).read()

    for unit, count in (("unit-7", 150), ("unit-8", 0), ("unit-9", 200)):
        came(unit, count, 200)
    urllib.request.urlopen(f"{store.url}/internal/force_flush", timeout=10).read()
    (param,) = (p for p in PANELS if str(p.id).endswith("that the store lacks"))
    board, panel = param.values
    told = [ask(store, board, panel | {"of": f"unit-{n}"}) for n in (7, 8, 9)]  # type: ignore[arg-type, operator]
    assert told == [[50.0], [200.0], [0.0]]
