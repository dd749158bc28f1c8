"""What the doctor says of maintenance."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from recipe.make import by
from record.make import journal_at, later, start

from platelink.doctor.upkeep import upkeep
from platelink.recipe.entries import About
from platelink.recipe.store import RecipeStore
from platelink.recipe.upkeep import Item

LONG_AGO = date(2020, 1, 1)


def test_what_is_due_is_told_with_its_day_and_what_to_do(tmp_path: Path) -> None:
    recipes, journal = tmp_path / "recipes.sqlite", tmp_path / "journal.db"
    assert list(upkeep(recipes, journal)) == []  # nothing was entered
    with RecipeStore.open(recipes) as store:
        shelf = store.shelf
        shelf.add_item(Item(name="seal", days=30, last_done_on=LONG_AGO), by())
        shelf.add_item(Item(name="old", days=30, last_done_on=LONG_AGO), by())
        shelf.close_thing(About.ITEM, "old", by("sold"))
        lamps = Item(name="lamps", lamp_h=900, reset_by="lamp change", last_done_on=LONG_AGO)
        shelf.add_item(lamps, by())
    (due,) = upkeep(recipes, journal)
    assert (due.health, due.measured) == ("notice", "seal is due since 2020-01-31")
    assert due.advice == "do it, then: platelink maintenance done seal"
    with journal_at(journal) as opened:  # a long light, and one that nobody knows
        for run_id, light_s in (("r1", 3600.0 * 901), ("r2", None)):
            opened.append(start(opened, run_id))
            opened.end_run(run_id, later(60), "complete", "done", light_s=light_s)
    both = list(upkeep(recipes, journal))
    assert [one.health for one in both] == ["notice", "notice"]
    assert both[1].advice == "do it, then: platelink lamps changed"
    assert both[1].limit == "light 901.0 of 900 h, 1 not known"


def test_what_was_not_counted_is_not_in_order(tmp_path: Path) -> None:
    recipes, journal = tmp_path / "recipes.sqlite", tmp_path / "journal.db"
    with RecipeStore.open(recipes) as store:
        store.shelf.add_item(Item(name="lamps", lamp_h=900, last_done_on=LONG_AGO), by())
    assert [one.health for one in upkeep(recipes, journal)] == ["ok"]
    with journal_at(journal) as opened:
        opened.append(start(opened, "r1"))
        opened.end_run("r1", later(60), "interrupted", "power cut")
    (one,) = upkeep(recipes, journal)
    assert one.health == "unknown" and "may be due" in one.measured
