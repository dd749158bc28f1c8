"""The store keeps readings as they were typed, concludes of what counts, overwrites nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from experiments.make import RUNS, WEDGES, by, concluded, wedge
from platelink.experiments.made import Act, Stage
from platelink.experiments.store import ExperimentStore
from platelink.finding.concluding import FITS, begun, reading_of
from platelink.finding.concluding import concluded as concluded_of
from platelink.finding.experiments import KINDS, ExperimentError, loads
from platelink.finding.wedge import WedgeReading, hold_dose
from platelink.ledger.errors import StoreRefused, StoreUnusable


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "experiments.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[ExperimentStore]:
    with ExperimentStore.open(path) as opened:
        yield opened


def example(kind: str) -> str:
    return files("platelink.finding").joinpath("examples", f"{kind}.toml").read_text("utf-8")


def test_from_the_first_reading_to_a_dose_with_its_interval(
    store: ExperimentStore, path: Path
) -> None:
    made = wedge(store)
    assert (made.name, made.stage, len(made.readings)) == ("wedge-1", Stage.READING, 4)
    store.conclude("wedge-1", by(minutes=40.0, who="B. Example"), release="0.1.0")
    with ExperimentStore.open(path, read_only=True) as reader:
        made = reader.find("wedge-1")
        acts = [entry.act for entry in reader.history(made)]
    assert made.stage is Stage.CONCLUDED and made.concluded is not None
    found, figure = made.concluded.conclusion, made.concluded.conclusion.figure
    # the same as the fit by itself, of the same readings
    alone = hold_dose([WedgeReading(dose_mj_cm2=d, held=h, washed=w) for d, h, w in WEDGES])
    assert figure is not None and found.told
    assert (figure.value, figure.low, figure.high) == pytest.approx(
        (alone.dose_mj_cm2, alone.low_mj_cm2, alone.high_mj_cm2)
    )
    assert found.text == alone.text and found.fit == "wedge 1"
    assert (made.concluded.by.who, made.concluded.release) == ("B. Example", "0.1.0")
    assert acts == [Act.BEGUN, *[Act.READ] * 4, Act.CONCLUDED]
    assert made.readings[0].typed == {"dose_mj_cm2": "373 mJ/cm2", "held": 5, "washed": 6}


def test_what_cannot_be_told_says_why_and_what_to_try(store: ExperimentStore) -> None:
    store.begin("depth", {"target_um": 26}, by())
    made = store.conclude("depth-1", by(), release="0.1.0")
    assert made.concluded is not None and not made.concluded.conclusion.told
    found = made.concluded.conclusion
    assert found.figure is None and found.text.startswith("cannot tell: 0 patches make no curve")
    assert "a strip of eight patches" in found.ahead
    wedge(store, ((260.0, 0, 3),))  # nothing held: no end above
    found = store.conclude("wedge-1", by(), release="0.1.0").concluded.conclusion  # type: ignore[union-attr]
    assert not found.told and found.figure is None and "expose more" in found.text


def test_a_single_wedge_is_told_and_the_next_ones_named(store: ExperimentStore) -> None:
    wedge(store, WEDGES[:1])
    found = store.conclude("wedge-1", by(), release="0.1.0").concluded.conclusion  # type: ignore[union-attr]
    assert found.told and found.ahead.startswith("expose more wedges, staggered within a step: 3")
    wedge(store, WEDGES[:3])
    found = store.conclude("wedge-2", by(), release="0.1.0").concluded.conclusion  # type: ignore[union-attr]
    assert found.told and found.ahead == ""


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_kept_and_concluded_as_its_file_is(kind: str, store: ExperimentStore) -> None:
    file = loads(example(kind), kind)
    head = file.model_dump(mode="json", exclude={"format", "kind", "who", "reading"},
                           exclude_none=True)  # fmt: skip
    store.begin(kind, head, by())
    for one in file.reading:
        typed = one.model_dump(mode="json", exclude_none=True)
        store.read(f"{kind}-1", typed, by(), RUNS)
    made = store.conclude(f"{kind}-1", by(), release="0.1.0")
    assert made.concluded is not None
    assert made.concluded.conclusion == concluded_of(file, lambda run: 1.0)
    assert made.concluded.conclusion.told


def test_an_experiment_goes_on_in_another_process_and_after_its_conclusion(
    store: ExperimentStore, path: Path
) -> None:
    concluded(store)
    store.close()
    with ExperimentStore.open(path) as later:
        with pytest.raises(StoreRefused, match="nothing was entered since"):
            later.conclude("wedge-1", by(), release="0.1.0")
        before = later.find("wedge-1").concluded
        typed = {"dose_mj_cm2": 420.0, "held": 5, "washed": 6}
        made = later.read("wedge-1", typed, by(minutes=60.0), RUNS)
        assert made.stage is Stage.READING and made.concluded == before
        made = later.conclude("wedge-1", by(minutes=61.0), release="0.1.0")
    assert made.concluded is not None and made.concluded.readings == (1, 2, 3, 4, 5)
    assert "5 exposures" in made.concluded.conclusion.text


def test_a_run_gives_its_dose_and_its_whole_name(store: ExperimentStore) -> None:
    store.begin("wedge", {}, by())
    made = store.read("wedge-1", {"run": "2026-04-07-a", "held": 5, "washed": 6}, by(), RUNS)
    assert made.readings[0].typed["run"] == "2026-04-07-a1"
    assert made.readings[0].dose_mj_cm2 == 408.0
    store.read("wedge-1", {"dose_mj_cm2": 408.0, "held": 5, "washed": 6}, by(), RUNS)
    store.name_run("wedge-1", "2026-04-07-b", by(), RUNS)
    with pytest.raises(StoreRefused, match="belongs to wedge-1 already"):
        store.name_run("wedge-1", "2026-04-07-b2", by(), RUNS)
    with pytest.raises(StoreRefused, match="no run begins"):
        store.name_run("wedge-1", "2027", by(), RUNS)
    assert store.find("wedge-1").all_runs() == ("2026-04-07-b2", "2026-04-07-a1")
    with pytest.raises(StoreRefused, match="say why"):
        store.take_off("wedge-1", "2026-04-07-b2", by())
    made = store.take_off("wedge-1", "2026-04-07-b2", by("another film"))
    assert made.all_runs() == ("2026-04-07-a1",)
    first, second = (hold_dose([WedgeReading(dose_mj_cm2=408.0, held=5, washed=6)] * n)
                     for n in (2, 1))  # fmt: skip
    assert first != second
    found = store.conclude("wedge-1", by(), release="0.1.0").concluded.conclusion  # type: ignore[union-attr]
    assert found.text == first.text


def test_a_correction_is_another_entry_and_what_was_typed_stays(store: ExperimentStore) -> None:
    concluded(store)
    better = {"dose_mj_cm2": "446 mJ/cm2", "held": 6, "washed": 7}
    with pytest.raises(StoreRefused, match="say why"):
        store.correct("wedge-1", 3, better, by(), RUNS)
    made = store.correct("wedge-1", 3, better, by("read from the wrong end"), RUNS)
    assert made.readings[2].corrected and made.readings[2].typed == better
    assert made.stage is Stage.READING  # what was concluded is no more of what counts
    kept = [entry.body["typed"] for entry in store.history(made) if entry.act is Act.READ]
    assert kept[2] == {"dose_mj_cm2": "446 mJ/cm2", "held": 5, "washed": 7}
    store.leave_out("wedge-1", 1, by("the wedge slipped"))
    for act in (store.leave_out, lambda n, k, b: store.correct(n, k, better, b, RUNS)):
        with pytest.raises(StoreRefused, match="no reading 1 in use; in use: 2, 3, 4"):
            act("wedge-1", 1, by("again"))
    made = store.conclude("wedge-1", by(), release="0.1.0")
    assert made.concluded is not None and made.concluded.readings == (2, 3, 4)
    made = store.change("wedge-1", {"hold_step": 7}, by("the shop wants 7"))
    assert made.stage is Stage.READING and made.head["hold_step"] == 7
    lines = store.conclude("wedge-1", by(), release="0.1.0").concluded.conclusion.lines  # type: ignore[union-attr]
    assert "step 7" in lines[1]


@pytest.mark.parametrize(
    ("kind", "typed", "text"),
    [
        ("wedge", {"held": 5, "washed": 6}, "dose_mj_cm2: give the dose, or the run"),
        ("wedge", {"dose_mj_cm2": 1.1e6, "held": 5, "washed": 6}, "at most 1000000 mJ/cm²"),
        ("wedge", {"dose_mj_cm2": "408", "held": 5, "washed": 6}, "the unit is missing"),
        ("wedge", {"dose_mj_cm2": 408, "held": 6, "washed": 6}, "look again at which end"),
        ("wedge", {"dose_mj_cm2": 408, "held": 22, "washed": 23}, "the wedge has 21 steps"),
        ("wedge", {"dose_mj_cm2": 408, "held": 5.5, "washed": 6}, "whole number"),
        ("wedge", {"dose_mj_cm2": 408, "held": 5, "washed": 6, "step": 3}, "not a known key"),
        ("reciprocity", {"dose_mj_cm2": 408, "held": 5, "washed": 6, "irradiance_mw_cm2": 0},
         "greater than 0 mW/cm²"),
        ("depth", {"dose_mj_cm2": 200, "plate": "1", "lot": "K", "points_um": [26, 26000]},
         r"points_um\[1\] = 26000: must be at most 1000"),
        ("depth", {"dose_mj_cm2": 200, "plate": "1", "lot": "K", "points_um": []},
         "least number of entries: 1"),
        ("bed", {"x_cm": 0, "y_cm": 4000, "irradiance_mw_cm2": 10}, "at most 1000"),
        ("washout", {"off_um": 1, "area_m2": 1, "days": 1, "water_c": 130, "brush_s": 30,
                     "dry_min": 10}, "at most 100"),
    ],
)  # fmt: skip
def test_a_reading_that_cannot_be_is_refused_with_its_bound(
    kind: str, typed: dict, text: str, store: ExperimentStore
) -> None:
    store.begin(kind, {"target_um": 26.0} if kind == "depth" else {}, by())
    with pytest.raises(StoreRefused, match=text):
        store.read(f"{kind}-1", typed, by(), RUNS)
    assert store.find(f"{kind}-1").readings == ()


def test_heads_and_names_that_cannot_be(store: ExperimentStore) -> None:
    for kind, head, text in (
        ("gloss", {}, "there are: wedge, reciprocity, depth"),
        ("depth", {}, "target_um: is missing"),
        ("depth", {"target_um": -2}, "target_um = -2: must be greater than 0 µm"),
        ("wedge", {"who": "somebody else"}, "not asked for"),
        ("wedge", {"reading": []}, "not asked for"),
        ("wedge", {"film": 3.0}, "not a known key"),
    ):
        with pytest.raises(StoreRefused, match=text):
            store.begin(kind, head, by())
    with pytest.raises(StoreRefused, match="the newest are: none yet"):
        store.find("wedge-1")
    concluded(store)
    for odd in ("wedge-2", "wedge", "wedge-x", "wedge-99999999999999999999", "", "-1"):
        with pytest.raises(StoreRefused, match="the newest are: wedge-1"):
            store.find(odd)
    with pytest.raises(StoreRefused, match="say why"):
        store.drop("wedge-1", by())
    store.drop("wedge-1", by("another stock was on the bed"))
    for act in (
        lambda: store.read("wedge-1", {}, by(), RUNS),
        lambda: store.conclude("wedge-1", by(), release="0.1.0"),
        lambda: store.drop("wedge-1", by("again")),
    ):
        with pytest.raises(StoreRefused, match="wedge-1 is discarded"):
            act()
    assert wedge(store).name == "wedge-2"
    assert [made.name for made in store.every()] == ["wedge-1", "wedge-2"]
    assert store.find("wedge-1").concluded is not None  # it stays on record


def test_the_file_refuses_what_would_overwrite(store: ExperimentStore, path: Path) -> None:
    concluded(store)
    store.drop("wedge-1", by("to begin again"))
    store.close()
    with closing(sqlite3.connect(path)) as db:
        for statement in (
            "UPDATE entries SET who = 'me'",
            "DELETE FROM entries",
            "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 2",
            "INSERT INTO entries SELECT 99, kind, nth, act, at_ms, who, why, body "
            "FROM entries WHERE number = 2",
            "INSERT INTO entries SELECT 8, kind, nth, act, at_ms, who, why, body "
            "FROM entries WHERE act = 'dropped'",
            "INSERT INTO experiments VALUES ('wedge', 7, 2)",
            "INSERT OR REPLACE INTO experiments VALUES ('wedge', 1, 2)",
            "DELETE FROM experiments",
        ):
            with pytest.raises(sqlite3.IntegrityError):
                db.execute(statement)


@pytest.mark.parametrize(
    "change",
    [
        "json_set(body, '$.conclusion.figure.value', 96.0) WHERE act = 'concluded'",
        "json_set(body, '$.typed.held', 4) WHERE number = 3",
        "json_set(body, '$.head.hold_step', 9) WHERE act = 'begun'",
        "'{\"reading\": 3}' WHERE act = 'concluded'",
    ],
)
def test_what_was_altered_on_the_disk_is_told_and_not_taken_for_a_result(
    change: str, store: ExperimentStore, path: Path
) -> None:
    concluded(store)
    store.close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TRIGGER entries_no_update")
        db.execute(f"UPDATE entries SET body = {change}")
    with (
        ExperimentStore.open(path, read_only=True) as reader,
        pytest.raises(StoreUnusable, match="experiment wedge-1 cannot be read"),
    ):
        reader.find("wedge-1")


def test_the_version_of_each_fit_is_raised_when_its_results_change() -> None:
    """Figures of the examples as they were when the version was set: where a change of the
    computation moves them, raise the kind's version in FITS and take the new ones."""
    known = {
        ("wedge", 1): (104.161, 90.495, 119.851),
        ("reciprocity", 1): (0.84011, 0.75536, 0.92447),
        ("depth", 1): (194.890, 181.502, 205.351),
        ("bed", 1): (0.93693,),
    }
    for kind in ("wedge", "reciprocity", "depth", "bed"):
        figure = concluded_of(loads(example(kind), kind), lambda run: 1.0).figure
        assert figure is not None
        told = tuple(v for v in (figure.value, figure.low, figure.high) if v is not None)
        assert told == pytest.approx(known[kind, FITS[kind]], rel=2e-4), kind


_STEP = st.integers(0, 21)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(1.0, 1e6), _STEP, st.integers(1, 22)), max_size=6))
def test_whatever_can_be_read_is_concluded_or_refused_in_a_sentence(
    read: list[tuple[float, int, int]],
) -> None:
    head = begun("wedge", {}, "A. Example")
    lines = []
    for dose, held, washed in read:
        typed = {"dose_mj_cm2": dose, "held": held, "washed": washed}
        try:
            reading_of(head, typed)
        except ExperimentError:
            assert held >= washed
            continue
        lines.append(typed)
    whole = KINDS["wedge"].model_validate({**head.model_dump(), "reading": lines})
    found = concluded_of(whole, lambda run: 1.0)
    assert found.text and (found.told or found.ahead)
    assert found.told is (found.figure is not None)
