"""The store keeps every reading, finds the line, and overwrites nothing."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from calibrations.make import (
    DARK,
    DUE,
    METER,
    PLAN,
    SLOPE,
    TODAY,
    approved,
    by,
    counts,
    level,
    read,
)
from platelink.calibrations.made import Act, Stage, step_since
from platelink.calibrations.store import CalibrationStore
from platelink.ledger.errors import StoreRefused, StoreUnusable
from platelink.sensing.calibration import Cause


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "calibrations.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[CalibrationStore]:
    with CalibrationStore.open(path) as opened:
        yield opened


def test_from_the_first_reading_to_what_holds(store: CalibrationStore, path: Path) -> None:
    made = read(store)
    assert (made.name, made.stage, len(made.levels)) == ("light 0@1", Stage.READING, 4)
    assert store.in_force() == {}
    made = store.finish("light 0@1", DUE, by(), today=TODAY)
    assert made.stage is Stage.FINISHED and store.in_force() == {}
    store.approve("light 0@1", by("as the meter", who="B. Example"))
    with CalibrationStore.open(path, read_only=True) as reader:
        held = reader.in_force()["light 0"]
        assert held.line.gain == pytest.approx(SLOPE, rel=1e-3)
        assert (held.made_by, held.approved_by, held.due_on) == ("A. Example", "B. Example", DUE)
        assert held.instrument == METER and held.settings == PLAN.settings
        assert [v.reference for v in held.levels] == [4.0, 7.0, 9.5, 12.0]
        acts = [entry.act for entry in reader.history(reader.find("light 0@1"))]
    assert acts == [Act.BEGUN, Act.DARK, *[Act.LEVEL] * 4, Act.FINISHED, Act.APPROVED]


def test_a_calibration_goes_on_in_another_process(store: CalibrationStore, path: Path) -> None:
    store.begin("light 0", PLAN, by())
    store.dark("light 0@1", DARK, by())
    store.close()
    with CalibrationStore.open(path) as later:
        assert later.find("light 0@1").dark == DARK
        for reference in (4.0, 8.0, 12.0):
            later.level("light 0@1", level(reference), by(minutes=30.0))
        assert later.finish("light 0@1", DUE, by(), today=TODAY).line is not None


def test_light_is_above_the_newest_dark(store: CalibrationStore) -> None:
    read(store)
    store.dark("light 0@1", replace(DARK, mean=23.3), by())
    made = store.find("light 0@1")
    assert made.used()[0].x == pytest.approx(4.0 / SLOPE - 2.0)


def test_what_the_levels_cannot_carry_is_refused_and_stays_open(store: CalibrationStore) -> None:
    store.begin("light 0", PLAN, by())
    store.level("light 0@1", level(11.0), by())
    with pytest.raises(StoreRefused, match=r"no dark reading[^$]*\n.*too few levels: 1") as error:
        store.finish("light 0@1", DUE, by(), today=TODAY)
    assert len(str(error.value).splitlines()) >= 2  # all reasons at once
    assert store.find("light 0@1").stage is Stage.READING
    assert len(store.history(store.find("light 0@1"))) == 2


def test_a_level_left_out_stays_in_the_record_and_keeps_its_number(store: CalibrationStore) -> None:
    read(store)
    store.level("light 0@1", level(2.5), by())
    store.level("light 0@1", replace(level(8.0), reference=8.9), by("misread"))
    with pytest.raises(StoreRefused, match=r"level 6 is \+0\.9"):
        store.finish("light 0@1", DUE, by(), today=TODAY)
    with pytest.raises(StoreRefused, match="say why"):
        store.leave_out("light 0@1", 6, by())
    store.leave_out("light 0@1", 1, by("the meter slipped"))
    with pytest.raises(StoreRefused, match=r"level 6 is \+0\.9"):  # not called level 5
        store.finish("light 0@1", DUE, by(), today=TODAY)
    made = store.leave_out("light 0@1", 6, by("misread"))
    assert len(made.levels) == 6 and made.numbers() == [2, 3, 4, 5]
    assert made.left_out == {1: "the meter slipped", 6: "misread"}
    with pytest.raises(StoreRefused, match="no level 6 in use; in use: 2, 3, 4, 5"):
        store.leave_out("light 0@1", 6, by("again"))
    assert store.finish("light 0@1", DUE, by(), today=TODAY).stage is Stage.FINISHED


def test_one_at_a_time_of_a_sensor(store: CalibrationStore) -> None:
    read(store)
    with pytest.raises(StoreRefused, match="light 0@1 is still being read, begun by A"):
        store.begin("light 0", PLAN, by())
    assert store.begin("light 1", PLAN, by()).name == "light 1@1"
    store.finish("light 0@1", DUE, by(), today=TODAY)
    with pytest.raises(StoreRefused, match="waiting for approval"):
        store.begin("light 0", PLAN, by())
    with pytest.raises(StoreRefused, match="takes no more readings"):
        store.level("light 0@1", level(5.0), by())
    store.drop("light 0@1", by("meter was on another scale"))
    assert store.begin("light 0", PLAN, by()).name == "light 0@2"


def test_the_newest_approved_holds_and_the_one_before_when_it_is_dropped(
    store: CalibrationStore,
) -> None:
    approved(store)
    approved(store, slope=1.01 * SLOPE)
    assert store.in_force()["light 0"].name == "light 0@2"
    store.drop("light 0@2", by("wrong meter"))
    assert store.in_force()["light 0"].name == "light 0@1"
    with pytest.raises(StoreRefused, match="already discarded"):
        store.drop("light 0@2", by("again"))
    with pytest.raises(StoreRefused, match="only a finished one"):
        store.approve("light 0@2", by("after all"))


def test_nothing_is_approved_or_dropped_without_a_reason_or_before_it_is_finished(
    store: CalibrationStore,
) -> None:
    read(store)
    with pytest.raises(StoreRefused, match="is reading; only a finished one"):
        store.approve("light 0@1", by("fine"))
    for act in (store.approve, store.drop):
        with pytest.raises(StoreRefused, match="say why"):
            act("light 0@1", by("  "))


@pytest.mark.parametrize("due", [TODAY, date(2026, 3, 1), date(2028, 6, 1)])
def test_due_dates_that_cannot_be(store: CalibrationStore, due: date) -> None:
    read(store)
    with pytest.raises(StoreRefused, match="within two years"):
        store.finish("light 0@1", due, by(), today=TODAY)


def test_values_that_cannot_be(store: CalibrationStore) -> None:
    for changed, text in (
        ({"certificate": " "}, "certificate number"),
        ({"name": ""}, "name"),
        ({"u_rel": 7.0}, "100 %"),
        ({"k": 0.0}, "coverage factor"),
        ({"u_abs": float("nan")}, "must be numbers, 0 or more"),
        ({"resolution": -1.0}, "must be numbers, 0 or more"),
    ):
        plan = replace(PLAN, instrument=replace(METER, **changed))
        with pytest.raises(StoreRefused, match=text):
            store.begin("light 0", plan, by())
    with pytest.raises(ValueError, match="door"):
        store.begin("door", PLAN, by())
    store.begin("light 0", PLAN, by())
    with pytest.raises(StoreRefused, match="of 5000 mW/cm² is not possible"):
        store.level("light 0@1", replace(level(5.0), reference=5000.0), by())
    store.begin("vacuum", PLAN, by())
    with pytest.raises(StoreRefused, match="only light has a dark"):
        store.dark("vacuum@1", DARK, by())
    with pytest.raises(StoreRefused, match="there are: vacuum@1"):
        store.find("vacuum@7")
    with pytest.raises(StoreRefused, match="there are: light 0, vacuum"):
        store.find("oven@1")


def test_the_file_refuses_what_would_overwrite(store: CalibrationStore, path: Path) -> None:
    approved(store)
    store.close()
    with closing(sqlite3.connect(path)) as db:
        for statement in (
            "UPDATE entries SET who = 'me'",
            "DELETE FROM entries",
            "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 2",
            "INSERT INTO entries SELECT 99, sensor, revision, act, at_ms, who, why, body "
            "FROM entries WHERE number = 2",
            "INSERT INTO entries SELECT 9, sensor, revision, act, at_ms, who, why, body "
            "FROM entries WHERE act = 'approved'",
            "INSERT INTO calibrations VALUES ('light 0', 7, 2)",
            "INSERT OR REPLACE INTO calibrations VALUES ('light 0', 1, 2)",
            "DELETE FROM calibrations",
        ):
            with pytest.raises(sqlite3.IntegrityError):
                db.execute(statement)


def test_a_damaged_entry_is_told_and_not_guessed(store: CalibrationStore, path: Path) -> None:
    approved(store)
    store.close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TRIGGER entries_no_update")
        db.execute("UPDATE entries SET body = '{\"line\": {}}' WHERE act = 'finished'")
    with (
        CalibrationStore.open(path, read_only=True) as reader,
        pytest.raises(StoreUnusable, match="calibration light 0@1 cannot be read"),
    ):
        reader.in_force()


def test_a_line_that_is_not_that_of_its_levels_is_not_used(
    store: CalibrationStore, path: Path
) -> None:
    approved(store)
    store.close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TRIGGER entries_no_update")
        db.execute(
            "UPDATE entries SET body = json_set(body, '$.line.gain', 0.0249) WHERE act = 'finished'"
        )
    with (
        CalibrationStore.open(path, read_only=True) as reader,
        pytest.raises(StoreUnusable, match="the line is not that of its levels"),
    ):
        reader.in_force()


def test_a_step_since_the_calibration_before_asks_what_was_changed(store: CalibrationStore) -> None:
    approved(store)
    small = approved(store, slope=1.01 * SLOPE)
    large = approved(store, slope=1.10 * SLOPE)
    cleaned = approved(store, plan=replace(PLAN, cause=Cause.CLEANED))
    other = approved(
        store, plan=replace(PLAN, instrument=replace(METER, certificate="EX-118")),
        slope=1.06 * SLOPE,
    )  # fmt: skip
    one, two, three, four, five = (
        made.calibration() for made in (store.find("light 0@1"), small, large, cleaned, other)
    )
    assert one and two and three and four and five
    assert step_since(one, two) == ""
    assert "the same counts mean +8.9% against light 0@2 of 2026-03-02" in step_since(two, three)
    assert step_since(three, four) == ""  # it is said what was done
    assert step_since(four, five) == ""  # two meters of 7 % may differ by 6 %
    same_meter = replace(five, instrument=METER)
    assert "+6.0%" in step_since(four, same_meter)


def test_counts_keep_their_optional_parts(store: CalibrationStore) -> None:
    full = replace(counts(431.2), head_c=31.5, supply_v=4.97)
    store.begin("light 0", PLAN, by())
    made = store.level("light 0@1", replace(level(6.0), counts=full), by())
    assert made.levels[0].counts == full
