"""Every question against an oracle that reads the whole journal."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facts.shop import T0, UNIT, Oracle, asking, journal_at, made_at, names
from platelink.contract.facts import Asked
from platelink.facts.both import Both
from platelink.facts.compare import compare
from platelink.facts.sensor import Corrected, touched
from platelink.ledger.errors import StoreRefused
from platelink.record.packing import Packer
from platelink.record.removed import remove
from platelink.simulated.invented import ALARMS, LOTS, PEOPLE, RECIPES, SCREENS, Shop

LEVELS = {"vacuum": "kPa", "irradiance": "mW/cm2", "oven": "degC"}
COLUMNS = {"vacuum": "vacuum_kpa", "irradiance": "irradiance_mw_cm2", "oven": "oven_c"}


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_at(tmp_path_factory.mktemp("facts") / "journal.sqlite", 40)


@pytest.fixture(scope="module")
def oracle(path: Path) -> Oracle:
    return Oracle(path)


def of_request(key: str) -> Any:
    return lambda w: w.start.request.get(key)


def people(oracle: Oracle, whole: Any) -> set[Any]:
    runs = [whole, *oracle.parts(whole)]
    return {r.start.operator for r in runs} | {
        e.data.get("who") for r in runs for e in oracle.events[r.start.run_id]
    }


def number(entry: Any) -> int:
    return int(entry.id.rpartition("-")[2])


def alarms(oracle: Oracle, whole: Any) -> set[Any]:
    return {
        e.data["alarm"] for e in oracle.unit_events
        if e.name == "alarm" and number(whole.start) < number(e) < number(whole.end)
    }  # fmt: skip


def calibrations(oracle: Oracle, whole: Any, key: str) -> set[Any]:
    return {
        c[key] for r in (whole, *oracle.parts(whole)) for c in r.start.conditions["calibrations"]
    }


def screens(whole: Any) -> list[Any]:
    return [s["screen"] for s in whole.start.request.get("recipe", {}).get("step", ())]


def lamp_set(oracle: Oracle, whole: Any) -> str:
    changed = [e for e in oracle.unit_events if e.name == "lamps changed"]
    return str(1 + sum(e.at_utc <= whole.start.at_utc for e in changed))


def off(oracle: Oracle, whole: Any) -> float:
    each = [
        abs(100.0 * (p.end.dose_mj_cm2 / p.start.target_dose_mj_cm2 - 1.0))
        for p in oracle.parts(whole) if p.start.target_dose_mj_cm2
    ]  # fmt: skip
    return max(each)


QUESTIONS: list[tuple[dict[str, Any], Any]] = [
    ({"plate": "p-000007"}, lambda o, w: w.start.plate == "P-000007"),
    ({"plate": "lone-1"}, lambda o, w: w.start.run_id == "lone-1"),
    ({"plate": "none"}, lambda o, w: False),
    ({"job": "job 3"}, lambda o, w: w.start.job == "job 3"),
    *(({"lot": lot}, lambda o, w, lot=lot: of_request("lot")(w) == lot) for lot in LOTS),
    *(({"screen": one}, lambda o, w, one=one: one in screens(w)) for one in SCREENS),
    *(({"operator": one}, lambda o, w, one=one: one in people(o, w)) for one in PEOPLE),
    *(({"alarm": one}, lambda o, w, one=one: one in alarms(o, w)) for one in ALARMS),
    *(({"recipe": one}, lambda o, w, one=one: w.start.request.get("recipe", {}).get("id") == one)
      for one in RECIPES),
    ({"revision": "plate-a-fine@2"}, lambda o, w: of_request("revision")(w) == "plate-a-fine@2"),
    ({"verdict": "reject"}, lambda o, w: w.end.data.get("judgement") == "reject"),
    ({"state": "complete"}, lambda o, w: w.end.state == "complete"),
    ({"kind": "expose"}, lambda o, w: w.start.run_kind == "expose"),
    ({"lamp_set": "1"}, lambda o, w: lamp_set(o, w) == "1"),
    ({"lamp_set": "2"}, lambda o, w: lamp_set(o, w) == "2"),
    ({"calibration": "light 0@2"}, lambda o, w: "light 0@2" in calibrations(o, w, "calibration")),
    ({"sensor": "oven"}, lambda o, w: "oven" in calibrations(o, w, "sensor")),
    ({"unit": UNIT}, lambda o, w: True),
    ({"unit": "unit-2"}, lambda o, w: False),
    ({"since": T0 + timedelta(hours=9)}, lambda o, w: w.start.at_utc >= T0 + timedelta(hours=9)),
    ({"until": T0 + timedelta(hours=9)}, lambda o, w: w.start.at_utc < T0 + timedelta(hours=9)),
    ({"off_pct": 1.0}, lambda o, w: off(o, w) > 1.0),
    ({"off_pct": 0.01}, lambda o, w: off(o, w) > 0.01),
    ({"text": "-00001"}, lambda o, w: "-00001" in (w.start.plate or "")),
    ({"text": "ROLLER"}, lambda o, w: "roller" in (w.start.note or "")),
    ({"text": "too shallow"}, lambda o, w: any(
        "too shallow" in str(e.data.get("note")) for e in o.events[w.start.run_id])),
    ({"text": '"; DROP'}, lambda o, w: False),
    ({"verdict": "good", "lot": LOTS[0], "off_pct": 0.001},
     lambda o, w: w.end.data.get("judgement") == "good" and of_request("lot")(w) == LOTS[0]
     and off(o, w) > 0.001),
]  # fmt: skip


@pytest.mark.parametrize(("asked", "true"), QUESTIONS, ids=[str(q)[:60] for q, _ in QUESTIONS])
@pytest.mark.parametrize("few", [2_000, 0], ids=["by the few", "from the newest"])
def test_a_question_is_answered_as_the_journal_has_it(
    path: Path, oracle: Oracle, asked: dict[str, Any], true: Any, few: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr("platelink.facts.ask.FEW", few)
    assert names(path, **asked) == oracle.names(lambda w: true(oracle, w))


def test_the_questions_find_something_and_leave_something_out(oracle: Oracle) -> None:
    """An oracle that finds nothing would agree with facts that hold nothing."""
    found = [len(oracle.names(lambda w, true=true: true(oracle, w))) for _, true in QUESTIONS]
    assert sum(0 < n < len(oracle.whole) for n in found) >= len(QUESTIONS) - 7


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Oracle]:
    path = made_at(tmp_path_factory.mktemp("few") / "journal.sqlite", 10, seed=5)
    return path, Oracle(path)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(sorted(LEVELS)), st.sampled_from(["below", "above"]),
    st.one_of(st.floats(0.0, 110.0), st.integers(0, 110).map(float)),
    st.sampled_from([0.0, 0.05, 0.5, 2.0, 10.0, 30.0, 300.0]),
)  # fmt: skip
def test_a_threshold_is_answered_exactly_between_the_rungs(
    few: tuple[Path, Oracle], quantity: str, side: str, level: float, seconds: float
) -> None:
    path, oracle = few
    where = f"{quantity} {side} {level:.6f} {LEVELS[quantity]} for {seconds} s"
    level = float(f"{level:.6f}")
    wanted = oracle.names(
        lambda w: round(oracle.longest_s(w, COLUMNS[quantity], side, level), 6) > seconds
    )
    assert names(path, where=[where]) == wanted


def test_samples_are_looked_at_only_where_the_facts_leave_it_open(path: Path) -> None:
    with asking(path) as facts:
        assert facts.pieces(Asked(where=["vacuum below 50 kPa for 2 s"])).decoded == 0
        assert facts.pieces(Asked(where=["vacuum below 120 kPa for 2 s"])).decoded == 0
        # No sample is near this level, and a curve has each of so few samples.
        between = facts.pieces(Asked(where=["oven above 57.3011 degC for 9 s"], limit=1000))
        assert between.made and not between.decoded
        # Samples are at this one: by a curve they may be below or above.
        at_samples = facts.pieces(Asked(where=["oven above 57.3 degC for 9 s"], limit=1000))
        assert 0 < at_samples.decoded < len(at_samples.made)


def test_of_samples_that_were_removed_what_is_kept_is_told(tmp_path: Path) -> None:
    """The facts were brought up between the entry of the removal and the removal itself."""
    where = ["oven above 57.3 degC for 9 s"]
    path = made_at(tmp_path / "journal.sqlite", 10)
    with journal_at(path) as journal:
        packer = Packer(journal.beside)
        while packer.step():
            pass
        with asking(path) as facts:
            before = facts.pieces(Asked(where=where))
            runs = [f"{one.name}-dry" for one in before.made]
        assert before.decoded
        Shop(journal, T0).event(
            None, "samples removed", of_run=before.made[0].run_id, runs=runs, samples=1, days=1,
            manifest_sha256="0", backup_utc="2026-03-02T08:00:00Z",
        )  # fmt: skip
        names(path)
        remove(journal.beside, journal.reader.uuid, journal.reader.last_number(), runs)
        with asking(path) as facts:
            after = facts.pieces(Asked(where=where))
    assert not after.unread and {one.name for one in after.made} <= {p.name for p in before.made}
    were = {one.name: one.longest_s[0] for one in before.made}
    told = {one.name: one.longest_s[0] for one in after.made}
    assert told and all(0.0 < s <= were[name] for name, s in told.items())
    for one in after.made:
        known = one.longest_s[0] == were[one.name]
        assert known or one.at_least[0]
        assert one.at_least[0] is ("for at least" in one.matched[0])
    assert any(one.at_least[0] for one in after.made)
    assert not any(one.at_least[0] for one in before.made)


def test_same_lamps_that_day_and_what_was_made_between(path: Path, oracle: Oracle) -> None:
    plate = next(w for w in oracle.whole if w.start.plate == "P-000015")
    day = plate.start.at_utc.date()
    assert names(path, lamps_of="P-000015") == oracle.names(
        lambda w: w.start.at_utc.date() == day and lamp_set(oracle, w) == lamp_set(oracle, plate)
    )
    between = [f"P-{n:06d}" for n in range(12, 9, -1)]
    assert names(path, between=["P-000009", "P-000013"]) == between
    assert names(path, between=["P-000013", "P-000009"]) == between


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"where": ["water below 3 degC"]}, "vacuum, irradiance or oven"),
        ({"where": ["vacuum below 50"]}, "the unit is missing"),
        ({"where": ["vacuum below 50 kPa for 2"]}, "the unit is missing"),
        ({"where": ["vacuum near 50 kPa"]}, "write it as in"),
        ({"lamps_of": "nobody"}, "no plate or run 'nobody'"),
        ({"between": ["P-000001"]}, "name two plates"),
    ],
)
def test_what_is_not_understood_is_refused_with_what_to_do(
    path: Path, asked: dict[str, Any], says: str
) -> None:
    with asking(path) as facts, pytest.raises(StoreRefused, match=says):
        Both(facts).pieces(Asked(**asked))


def test_the_days_add_up(path: Path, oracle: Oracle) -> None:
    with asking(path) as facts:
        days = facts.days().days
    assert sum(day.made for day in days) == len(oracle.whole)
    for day in days:
        of = [w for w in oracle.whole if w.start.at_utc.date().isoformat() == day.day]
        assert day.made == len(of)
        assert day.reject == sum(w.end.data.get("judgement") == "reject" for w in of)
        assert day.worst_off_pct == pytest.approx(max(off(oracle, w) for w in of))


def test_a_plate_is_opened_with_its_steps_and_curves(path: Path, oracle: Oracle) -> None:
    with asking(path) as facts:
        opened = facts.opened("P-000003")
        by_run = facts.opened("P-000003-film")
    assert by_run == opened
    assert [step["step"] for step in opened.steps] == [
        "film", "screen", "dry", "hardening", "washout", "inspect",
    ]  # fmt: skip
    for step in opened.steps[:4]:
        samples = oracle.samples[step["run_id"]]
        column = "oven_c" if step["step"] == "dry" else "vacuum_kpa"
        values = step["curves"][column]["values"]
        assert len(values) <= 600
        assert max(values) == pytest.approx(samples.values[column].max())


def test_two_plates_side_by_side_the_greatest_difference_first(path: Path) -> None:
    with asking(path) as facts:
        found = compare(Both(facts), "P-000003", "P-000030")
        itself = compare(Both(facts), "P-000003", "P-000003")
    assert not itself.differences and len(itself.same) > 20
    ranks = [d.rank for d in found.differences if d.rank is not None]
    assert ranks == sorted(ranks, reverse=True) and ranks
    assert all(d.rank is None for d in found.differences[len(ranks) :])
    by = {d.what: d for d in found.differences}
    depths = by["inspect large area depth_um"]
    assert isinstance(depths.first, float) and depths.rank
    assert (by["lamp_set"].first, by["lamp_set"].second) == ("1", "2")
    assert all(d.first != d.second for d in found.differences)


def test_what_a_sensor_touches_and_its_doses_again(path: Path, oracle: Oracle) -> None:
    since = T0 + timedelta(hours=9)
    with asking(path) as facts:
        found = touched(facts, "light 0", since, None, corrected=Corrected(factor=1.03), limit=1000)
        again = touched(facts, "light 0", since, None, corrected=Corrected(factor=1.0), limit=5)
        only = touched(facts, "vacuum", since, None)
    assert [p.name for p in found.made] == oracle.names(lambda w: w.start.at_utc >= since)
    assert not only.doses and len(only.made) == len(found.made)
    runs = {r.start.run_id: r for r in oracle.runs}
    assert len(found.doses) == sum(
        r.start.run_kind == "expose" for w in oracle.whole if w.start.at_utc >= since
        for r in oracle.parts(w)
    )  # fmt: skip
    for dose in found.doses:
        recorded = runs[dose.run_id].end.dose_mj_cm2
        assert dose.recorded_mj_cm2 == recorded
        # Of a linear sensor: counts above dark are worth 3 % more.
        assert dose.corrected_mj_cm2 == pytest.approx(1.03 * recorded, rel=1e-4)
        assert dose.again_mj_cm2 == pytest.approx(recorded, rel=1e-4)
        assert not dose.why
    assert all(d.corrected_mj_cm2 == d.again_mj_cm2 for d in again.doses)


def test_a_sensor_that_has_no_part_in_a_dose_is_refused(path: Path) -> None:
    with asking(path) as facts:
        with pytest.raises(StoreRefused, match="has no part in a dose"):
            touched(facts, "oven", T0, None, corrected=Corrected(factor=2.0))
        with pytest.raises(StoreRefused, match="on record are: light 0, oven, vacuum"):
            touched(facts, "light 7", T0, None)


@pytest.mark.parametrize("at_once", [1, 3, 1000])
def test_it_looks_back_as_far_as_there_is_time_and_says_how_far(
    path: Path, oracle: Oracle, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platelink.facts.ask.AT_ONCE", at_once)
    monkeypatch.setattr("platelink.facts.ask.FEW", -1)
    good = oracle.names(lambda w: w.end.data.get("judgement") == "good")
    with asking(path) as facts:
        whole = facts.pieces(Asked(verdict="good", limit=1000))
        assert [one.name for one in whole.made] == good and whole.looked_back_to_utc is None
        none = facts.pieces(Asked(off_pct=1e9, verdict="good"), most_s=-1.0)
        one = facts.pieces(Asked(verdict="good", limit=1000), most_s=-1.0)
    assert not none.made
    assert (none.looked_back_to_utc is None) is (at_once == 1000)
    assert len(one.made) <= 1 and one.looked_back_to_utc is not None
    begun = [w.start.at_utc.isoformat(timespec="milliseconds") for w in oracle.whole]
    assert one.looked_back_to_utc in begun


def test_what_can_be_asked_for_is_what_is_there(path: Path, oracle: Oracle) -> None:
    with asking(path) as facts:
        there = facts.there()
    assert there.values["lot"] == sorted(set(LOTS))
    assert there.values["screen"] == sorted(SCREENS)
    everybody = set().union(*(people(oracle, w) for w in oracle.whole)) - {None}
    assert there.values["operator"] == sorted(everybody)
    assert there.values["lamp_set"] == ["1", "2"] and not there.more


def test_of_many_values_some_are_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platelink.facts.ask.VALUES", 2)
    with asking(path) as facts:
        there = facts.there()
    assert there.values["lot"] == sorted(LOTS)[:2] and "lot" in there.more
    assert "lamp_set" not in there.more


def test_how_long_each_was_so_stands_as_a_number_too(path: Path) -> None:
    where = ["vacuum below 60 kPa for 1 s", "irradiance above 5 mW/cm2"]
    with asking(path) as facts:
        made = facts.pieces(Asked(where=where)).made
    assert made
    for piece in made:
        told = [float(text.split()[-2]) for text in piece.matched]
        assert told == pytest.approx(piece.longest_s, abs=5e-4)


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"plate": "P-000003"},
        {"text": "roller"},
        {"since": T0, "until": T0 + timedelta(hours=9)},
        {"off_pct": 0.01},
        {"lot": LOTS[0], "verdict": "good", "operator": PEOPLE[0]},
        {"where": ["vacuum below 60 kPa for 1 s", "oven above 56 degC for 1 s"], "verdict": "good"},
        {"where": ["irradiance below 10 mW/cm2"]},
        {"text": "roller", "state": "complete"},
    ],
    ids=str,
)
@pytest.mark.parametrize("few", [2_000, -1], ids=["by the few", "from the newest"])
def test_no_question_goes_through_a_whole_table(
    path: Path, asked: dict[str, Any], few: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each table is entered by a key or an index, and of one plate by its number: otherwise a
    question that is answered at once here takes minutes of a million plates."""
    monkeypatch.setattr("platelink.facts.ask.FEW", few)
    with asking(path) as facts:
        rows, seen = facts.db.rows, []

        def explained(sql: str, values: Any = ()) -> Any:
            seen.extend((sql, line[3]) for line in rows(f"EXPLAIN QUERY PLAN {sql}", values))
            return rows(sql, values)

        monkeypatch.setattr(facts.db, "rows", explained)
        assert facts.pieces(Asked(**asked)).made
    for sql, line in seen:
        what, _, table = line.partition(" ")
        if what == "SCAN" and "FROM unread" not in sql and "FROM cursor" not in sql:
            assert "VIRTUAL TABLE" in line or table.startswith(("(", "CONSTANT")), (line, sql)
        if (
            few < 0
            and what == "SEARCH"
            and "EXISTS" in sql
            and table.split()[0] in ("spans", "stretches")
        ):
            assert "number=?" in line, (line, sql)
    assert any("made" in line for _, line in seen)
