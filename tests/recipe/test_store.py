"""The store keeps what it was given, refuses what contradicts it, and overwrites nothing."""

import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import pytest

from platelink.ledger.by import By
from platelink.ledger.errors import StoreRefused, StoreUnavailable, StoreUnusable
from platelink.recipe.entries import About, Act
from platelink.recipe.life import State
from platelink.recipe.schema import RECIPES
from platelink.recipe.store import RecipeStore
from recipe.make import FILM, LOT, SCREEN, T0, by, plate, with_step


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "recipes.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[RecipeStore]:
    with RecipeStore.open(path) as opened:
        yield opened


def dose(mj_cm2: float):
    return with_step(plate(), "film", dose_mj_cm2=mj_cm2)


# --- recipes -------------------------------------------------------------------------------


def test_a_recipe_comes_back_by_id_revision_and_hash(store: RecipeStore, path: Path) -> None:
    first, second = store.add(plate(), by("first")), store.add(dose(430.0), by(hours=1))
    assert [first.name, second.name] == ["plate-a-fine@1", "plate-a-fine@2"]
    assert store.recipes() == ("plate-a-fine",)
    with RecipeStore.open(path, read_only=True) as reader:
        for which in ("plate-a-fine@1", first.content_hash, first.content_hash[:8].upper()):
            assert reader.find(which) == first
        assert reader.recipe(first) == plate()
        assert reader.find("plate-a-fine") == second
        assert reader.recipe(second).content_hash() == second.content_hash
    assert (first.life[0].who, first.life[0].why, first.life[0].at_utc) == (
        "A. Example",
        "first",
        T0,
    )


def test_a_life_from_draft_to_retired(store: RecipeStore) -> None:
    for mj_cm2 in (340.0, 430.0, 440.0):
        store.add(dose(mj_cm2), by())
    store.approve("plate-a-fine@1", by("tested", hours=1))
    assert store.find("plate-a-fine").number == 1
    second = store.approve("plate-a-fine@2", by("better", hours=2, who="B. Example"))
    assert store.find("plate-a-fine") == second
    one, two, three = store.revisions("plate-a-fine")
    assert [r.state for r in (one, two, three)] == [State.RETIRED, State.APPROVED, State.DRAFT]
    assert [(s.state, s.who, s.why) for s in one.life] == [
        (State.DRAFT, "A. Example", ""),
        (State.APPROVED, "A. Example", "tested"),
        (State.RETIRED, "B. Example", "plate-a-fine@2 was approved"),
    ]
    store.retire(two.content_hash, by("no more stock", hours=3))
    assert store.find("plate-a-fine").state is State.DRAFT
    acts = [(e.act, e.body["revision"]) for e in store.log.history(About.RECIPE, "plate-a-fine")]
    assert acts[3:] == [
        (Act.APPROVED, 1), (Act.RETIRED, 1), (Act.APPROVED, 2), (Act.RETIRED, 2),
    ]  # fmt: skip


def test_content_in_use_is_not_added_twice_and_retired_content_can_come_back(
    store: RecipeStore,
) -> None:
    first = store.add(plate(), by())
    with pytest.raises(StoreRefused, match="already has exactly this content"):
        store.add(plate(), by())
    store.retire(first.name, by("mistake"))
    again = store.add(plate(), by())
    assert (again.number, again.content_hash) == (2, first.content_hash)
    assert store.find(first.content_hash) == again


@pytest.mark.parametrize(
    ("which", "why", "told"),
    [
        ("plate-a-fine", "good", "say which revision is to be approved, such as plate-a-fine@2"),
        ("plate-a-fine@1", "good", "plate-a-fine@1 is retired since 2026-03-02 07:00 UTC"),
        ("plate-a-fine@2", "  ", "say why plate-a-fine@2 is to be approved"),
        ("plate-a-fine@9", "good", "has revisions 1 to 2, not '9'"),
        ("plate-a-fine@", "good", "has revisions 1 to 2, not ''"),
        ("plate-x@1", "good", "no recipe 'plate-x@1' in .*; there are: plate-a-fine"),
        ("00000000", "good", "no recipe '00000000'"),
    ],
)
def test_an_approval_that_cannot_be_is_refused(
    store: RecipeStore, which: str, why: str, told: str
) -> None:
    store.add(plate(), by())
    store.add(dose(430.0), by())
    store.retire("plate-a-fine@1", by("mistake"))
    with pytest.raises(StoreRefused, match=told):
        store.approve(which, by(why))
    assert len(store.log.entries.after(0, 99)) == 3


def test_who_and_when_are_owed(store: RecipeStore) -> None:
    for who in ("", "  ", "A\nB"):
        with pytest.raises(StoreRefused, match="say who"):
            store.add(plate(), by(who=who))
    with pytest.raises(ValueError, match="time zone"):
        store.add(plate(), By("A. Example", datetime(2026, 3, 2)))  # noqa: DTZ001
    assert store.log.entries.after(0, 99) == ()


# --- lots and screens ----------------------------------------------------------------------


def test_a_lot_is_told_by_its_entries(store: RecipeStore) -> None:
    shelf = store.shelf
    assert shelf.add_lot(LOT, by()).area_left_cm2 == 10_000.0
    shelf.open_lot(LOT.name, date(2026, 2, 3), by())
    shelf.use_lot(LOT.name, 600.0, by(), ref="P-1")
    shelf.use_lot(LOT.name, 600.0, by(hours=1), ref="P-1")  # told twice after a crash
    now = shelf.use_lot(LOT.name, 400.0, by())
    assert (now.area_left_cm2, now.uses) == (9000.0, 2)
    assert shelf.count_lot(LOT.name, 8800.0, by("offcuts")).area_left_cm2 == 8800.0
    changed = shelf.change_lot(LOT.name, {"best_before": date(2027, 1, 1)}, by("tested"))
    assert changed.lot.best_before == date(2027, 1, 1)
    assert shelf.change_lot(LOT.name, {"best_before": None}, by("no date")).lot.best_before is None
    assert shelf.lots() == (shelf.lot(LOT.name),)
    acts = [entry.act for entry in store.log.history(About.LOT, LOT.name)]
    assert acts == ["added", "opened", "used", "used", "counted", "changed", "changed"]
    shelf.close_thing(About.LOT, LOT.name, by("used up"))
    assert shelf.lot(LOT.name).closed == "used up"
    assert shelf.use_lot(LOT.name, 9000.0, by()).area_left_cm2 == -200.0  # used is used


def test_a_screen_is_told_by_its_entries(store: RecipeStore) -> None:
    shelf = store.shelf
    shelf.add_screen(SCREEN, by())
    for ref in ("P-1/screen", "P-2/screen", "P-2/screen", None):
        now = shelf.use_screen(SCREEN.name, by(), ref=ref)
    assert now.uses == 3
    assert shelf.change_screen(SCREEN.name, {"max_uses": 5}, by("still good")).screen.max_uses == 5
    shelf.close_thing(About.SCREEN, SCREEN.name, by("scratched"))
    assert [s.closed for s in shelf.screens()] == ["scratched"]


def test_what_contradicts_a_lot_or_screen_is_refused(store: RecipeStore) -> None:
    shelf = store.shelf
    shelf.add_lot(LOT, by())
    shelf.add_screen(SCREEN, by())
    shelf.open_lot(LOT.name, date(2026, 2, 3), by())
    count = len(store.log.entries.after(0, 99))
    for told, act in [
        ("L-17 exists already", lambda: shelf.add_lot(LOT, by())),
        ("was opened on 2026-02-03", lambda: shelf.open_lot(LOT.name, date(2026, 2, 4), by())),
        ("must be more than 0", lambda: shelf.use_lot(LOT.name, 0.0, by())),
        ("must be 0 or more", lambda: shelf.count_lot(LOT.name, float("nan"), by())),
        ("there is no lot 'L-9'.*there are: L-17", lambda: shelf.use_lot("L-9", 1.0, by())),
        (
            "of a lot, best_before, max_days_open, note",
            lambda: shelf.change_lot(LOT.name, {"stock": "x"}, by("y")),
        ),
        ("say why", lambda: shelf.change_lot(LOT.name, {"note": "x"}, by())),
        ("max_uses", lambda: shelf.change_screen(SCREEN.name, {"max_uses": 0}, by("y"))),
        ("say why", lambda: shelf.close_thing(About.SCREEN, SCREEN.name, by())),
    ]:
        with pytest.raises(StoreRefused, match=told):
            act()
    shelf.close_thing(About.LOT, LOT.name, by("used up"))
    for again in (
        lambda: shelf.close_thing(About.LOT, LOT.name, by("again")),
        lambda: shelf.count_lot(LOT.name, 1.0, by()),
        lambda: shelf.change_lot(LOT.name, {"note": "x"}, by("y")),
    ):
        with pytest.raises(StoreRefused, match="retired \\(used up\\)"):
            again()
    assert len(store.log.entries.after(0, 99)) == count + 1


def test_a_lot_cannot_be_opened_before_it_came(store: RecipeStore) -> None:
    shelf = store.shelf
    shelf.add_lot(LOT, by())
    with pytest.raises(StoreRefused, match="came on 2026-02-01"):
        shelf.open_lot(LOT.name, date(2026, 1, 31), by())


# --- the file ------------------------------------------------------------------------------


def test_entries_are_read_on_from_a_number(store: RecipeStore) -> None:
    shelf = store.shelf
    store.add(plate(), by())
    shelf.add_lot(LOT, by())
    shelf.add_screen(SCREEN, by())
    assert [e.number for e in store.log.entries.after(0, 2)] == [1, 2]
    assert [(e.number, e.about, e.name) for e in store.log.entries.after(2, 9)] == [
        (3, About.SCREEN, SCREEN.name)
    ]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE entries SET who = 'X'",
        "DELETE FROM entries",
        "REPLACE INTO entries SELECT * FROM entries WHERE number = 1",
        "UPDATE revisions SET content = '{}'",
        "DELETE FROM revisions",
        "REPLACE INTO revisions SELECT * FROM revisions",
        "INSERT INTO revisions SELECT recipe, 9, hash, content, 3 FROM revisions",
        "UPDATE moves SET state = 'retired'",
        "DELETE FROM moves",
        "REPLACE INTO moves SELECT * FROM moves",
        "INSERT INTO moves SELECT recipe, revision, 'approved', 3 FROM moves",
        "INSERT INTO entries SELECT number + 9, about, name, act, at_ms, who, why, ref, body "
        "FROM entries",
        "INSERT INTO entries SELECT 4, about, name, act, at_ms, '', why, ref, body FROM entries "
        "WHERE number = 1",
        "REPLACE INTO things SELECT * FROM things",
        "DELETE FROM things",
    ],
)
def test_the_file_itself_refuses_to_forget(path: Path, sql: str) -> None:
    with RecipeStore.open(path) as store:
        store.add(plate(), by())
        store.retire("plate-a-fine@1", by("mistake"))
        store.shelf.add_lot(LOT, by())
        before = store.log.entries.after(0, 99)
    raw = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute(sql)
    raw.close()
    with RecipeStore.open(path, read_only=True) as store:
        assert store.log.entries.after(0, 99) == before


def test_a_content_that_was_altered_is_not_believed(path: Path) -> None:
    with RecipeStore.open(path) as store:
        revision = store.add(plate(), by())
    raw = sqlite3.connect(path)
    raw.execute("DROP TRIGGER revisions_no_update")
    raw.execute("UPDATE revisions SET content = replace(content, '340', '999')")
    raw.commit()
    raw.close()
    with (
        RecipeStore.open(path, read_only=True) as store,
        pytest.raises(StoreUnusable, match="is not what was added"),
    ):
        store.recipe(revision)


def test_two_writers_do_not_lose_or_double_anything(path: Path) -> None:
    RecipeStore.open(path).close()
    faults: list[BaseException] = []

    def write(who: int) -> None:
        try:
            with RecipeStore.open(path) as store:
                if who == 0:
                    store.shelf.add_lot(LOT, by())
                for i in range(8):
                    store.add(dose(100.0 + 10 * i + who), by(who=f"W{who}"))
        except BaseException as fault:
            faults.append(fault)

    threads = [threading.Thread(target=write, args=(who,)) for who in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults
    with RecipeStore.open(path, read_only=True) as store:
        revisions = store.revisions("plate-a-fine")
        assert [r.number for r in revisions] == list(range(1, 17))
        assert len({r.content_hash for r in revisions}) == 16
        assert [e.number for e in store.log.entries.after(0, 99)] == list(range(1, 18))


def test_two_programs_may_begin_the_same_file(path: Path) -> None:
    with RecipeStore.open(path) as one, RecipeStore.open(path) as two:
        one.add(plate(), by())
        two.add(dose(430.0), by())
        assert one.revisions("plate-a-fine") == two.revisions("plate-a-fine")


def test_a_failed_write_leaves_nothing(store: RecipeStore, monkeypatch) -> None:
    monkeypatch.setattr(store, "_move", lambda *_: (_ for _ in ()).throw(RuntimeError("x")))
    store.add(plate(), by())
    with pytest.raises(RuntimeError):
        store.approve("plate-a-fine@1", by("good"))
    assert store.find("plate-a-fine").state is State.DRAFT
    store.add(dose(430.0), by())


def test_a_file_that_cannot_serve_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreUnusable, match="does not exist: nothing added yet"):
        RecipeStore.open(tmp_path / "none", read_only=True)
    with pytest.raises(StoreUnusable, match="check that its directory exists"):
        RecipeStore.open(tmp_path / "no" / "none")
    (tmp_path / "text").write_text("no database, but long enough to be taken for one" * 9)
    other = sqlite3.connect(tmp_path / "other")
    other.execute("CREATE TABLE t (a)")
    other.close()
    for name in ("text", "other"):
        for read_only in (True, False):
            with pytest.raises(StoreUnusable, match="is not a store of recipes"):
                RecipeStore.open(tmp_path / name, read_only=read_only)


def test_a_newer_file_is_refused(path: Path) -> None:
    RecipeStore.open(path).close()
    raw = sqlite3.connect(path)
    raw.execute(f"PRAGMA user_version = {RECIPES.version + 1}")
    raw.close()
    with pytest.raises(StoreUnusable, match="install the release that wrote it"):
        RecipeStore.open(path)


def test_a_locked_file_is_waited_for_and_then_told(path: Path, monkeypatch) -> None:
    hasty = replace(RECIPES, open_wait_s=0.01, write_wait_s=0.01)
    monkeypatch.setattr("platelink.recipe.store.RECIPES", hasty)
    with RecipeStore.open(path) as store:
        raw = sqlite3.connect(path, isolation_level=None)
        raw.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match="locked by another program"):
            store.add(plate(), by())
        raw.close()


def test_a_reader_writes_nothing(path: Path) -> None:
    RecipeStore.open(path).close()
    path.chmod(0o444)
    with RecipeStore.open(path, read_only=True) as reader, pytest.raises(StoreUnusable):
        reader.add(plate(), by())


class _Older(RecipeStore):
    kind = replace(RECIPES, migrations=RECIPES.migrations[:1])


def test_a_file_from_before_films_keeps_all_it_had_and_takes_them(path: Path) -> None:
    with _Older.open(path) as store:
        store.add(plate(), by("first"))
        store.approve("plate-a-fine@1", by("good"))
        store.shelf.add_lot(LOT, by())
        store.shelf.use_lot("L-17", 600.0, by(), ref="plate-1")
        had, life = store.log.entries.after(0), store.find("plate-a-fine").life
        with pytest.raises(StoreRefused):
            store.shelf.add_film(FILM, by())
    with RecipeStore.open(path) as store:
        assert store.log.entries.after(0) == had
        assert store.find("plate-a-fine").life == life
        assert store.recipe(store.find("plate-a-fine")) == plate()
        store.shelf.add_film(FILM, by())
        assert store.shelf.use_film("F-12", by(), ref="plate-2").uses == 1
        assert store.shelf.lot("L-17").area_left_cm2 == LOT.area_cm2 - 600.0
        store.approve(store.add(dose(430.0), by()).name, by("better"))
    raw = sqlite3.connect(path)
    kept = raw.execute("SELECT type, name FROM sqlite_master ORDER BY 1, 2").fetchall()
    assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
    raw.close()
    fresh = path.with_name("fresh.sqlite")
    with RecipeStore.open(fresh):
        pass
    raw = sqlite3.connect(fresh)
    assert raw.execute("SELECT type, name FROM sqlite_master ORDER BY 1, 2").fetchall() == kept
    raw.close()
    with _Older.open(path.with_name("first.sqlite")) as store:
        guards = [name for (name,) in store.log.entries.database.rows(
            "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'index') AND sql <> ''"
        )]  # fmt: skip
    assert {("trigger", n) in kept or ("index", n) in kept for n in guards} == {True}
