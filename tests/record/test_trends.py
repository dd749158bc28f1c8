"""Figures by day, with corrected values and limits, and what changed when."""

from datetime import timedelta
from pathlib import Path

from platelink.contract.trends import TrendsQuery
from platelink.events.steps import PlateCorrected
from platelink.events.unit import LampsChanged
from platelink.record.reader import JournalReader
from platelink.record.trends import trends
from record.make import T0, journal_at
from record.test_search import put, shop_journal

NOW = T0 + timedelta(days=2)


def told(path: Path, **wanted: str) -> dict[str, object]:
    with JournalReader.open(path) as reader:
        found = trends(reader, TrendsQuery.model_validate(wanted), now=NOW)
    return {
        "runs": found.runs,
        "changes": [(one.kind, one.text) for one in found.changes],
        **{f"{one.what} {one.of}".strip(): one for one in found.trends},
    }


def test_figures_limits_and_changes(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    shop_journal(path)
    with journal_at(path) as journal:
        put(journal, None, LampsChanged("Ada", "six new tubes"), 2500, "other lamps put in")
        put(journal, None, PlateCorrected("P-1", "depth large area", 42.5, 24.5, "Ada", "x"), 5001)
    found = told(path)
    assert found["runs"] == 6
    pull_down, error, depth, light = (
        found[name]
        for name in ("pull-down", "dose error", "depth plate-a: large area", "irradiance")
    )
    (day,) = pull_down.days
    assert (day.count, day.low, day.median, day.high) == (3, 5.0, 6.0, 7.0)
    (day,) = error.days
    assert (round(day.low, 3), round(day.high, 3)) == (round(100 / 340, 3), round(300 / 340, 3))
    assert (error.low_limit, error.high_limit) == (-1.5, 1.5)
    (day,) = depth.days  # 42.5 is not among them: it was corrected
    assert (day.low, day.high, depth.corrected) == (24.0, 24.5, 1)
    assert (depth.low_limit, depth.high_limit) == (22.0, 27.0)
    assert round(light.days[0].low, 3) == round(341 / 34, 3)  # the mean, without a level told
    assert found["changes"] == [
        ("lamps", "other lamps put in"), ("recipe", "plate-a@2"), ("version", "software 0.1.0"),
        ("calibration", "light 0: light 0@1"),
    ]  # fmt: skip


def test_filters_are_those_of_history(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    shop_journal(path)
    assert told(path, lot="L-1")["runs"] == 2
    assert told(path, since="2099-01-01T00:00:00Z") == {"runs": 0, "changes": []}
