"""A unit takes all of a revision or nothing, and says why: on real stores, in set time."""

from __future__ import annotations

import fcntl
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from calibrations.make import DUE, SLOPE, approved, by, read
from hypothesis import given, settings
from hypothesis import strategies as st
from people.make import AUDITOR, LEAD, OPERATOR, SECRET
from recipe.make import plate, with_step

from distribution.made import (
    BY,
    NOW,
    OTHER_KEY,
    PEOPLE_KEY,
    SHOP_KEY,
    Unit,
    approve,
    calibrations_of,
    head,
    key_of,
    note,
    people_at,
    people_of,
    recipes_of,
    with_everybody,
)
from platelink.calibrations.made import in_force
from platelink.calibrations.store import CalibrationStore
from platelink.contract.words import Role
from platelink.distribution.model import Calibrations, Recipes
from platelink.distribution.taken import TakenFile
from platelink.ledger.errors import StoreRefused
from platelink.people.errors import SignInRefused
from platelink.people.store import People
from platelink.recipe.store import RecipeStore


@pytest.fixture
def shop(tmp_path: Path):
    (tmp_path / "shop").mkdir()
    with RecipeStore.open(tmp_path / "shop" / "recipes.sqlite") as store:
        approve(store, plate())
        yield store


@pytest.fixture
def people(tmp_path: Path):
    with with_everybody(tmp_path / "people.sqlite") as store:
        yield store


@pytest.fixture
def bench(tmp_path: Path):
    """Where sensors are calibrated."""
    with CalibrationStore.open(tmp_path / "bench.sqlite") as store:
        yield store


def other_dose(dose: float = 217.0):
    recipe = plate()
    step = next(one.name for one in recipe.step if one.kind == "expose")
    return with_step(recipe, step, dose_mj_cm2=dose)


# --- revisions -------------------------------------------------------------------------------


def test_recipes_are_approved_here_and_the_record_says_where_from(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    outcome = unit.take(note(recipes_of(shop)))
    assert outcome.taken and outcome.lines == (f"{plate().id}@1 approved",)
    with RecipeStore.open(unit.settings.recipes) as store:
        (one,) = store.revisions(plate().id)
        assert store.recipe(one) == plate()
    for signed in one.life:
        assert signed.who == "shop: S. Example" and signed.at_utc == NOW
        assert f"recipes, revision 1 of the shop, key {SHOP_KEY.verifier.id.hex()}" in signed.why
    assert "approved by A. Example on 2026-03-09: the new season" in one.life[-1].why
    (noted,) = unit.state.notes
    assert noted.taken and (noted.kind, noted.revision) == ("recipes", 1)
    assert noted.key == SHOP_KEY.verifier.text
    assert noted.text == f"recipes, revision 1 of the shop was taken: {plate().id}@1 approved"


def test_the_same_again_changes_nothing_and_is_not_noted_again(shop, tmp_path) -> None:
    unit, data = Unit(tmp_path / "unit"), note(recipes_of(shop))
    unit.take(data)
    before = unit.file.path.read_bytes()
    outcome = unit.take(data)
    assert outcome.taken and outcome.text.endswith("holds here already")
    assert unit.file.path.read_bytes() == before


def test_new_content_takes_the_place_of_the_old_and_what_is_retired_goes(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.take(note(recipes_of(shop)))
    name = approve(shop, other_dose())
    assert unit.take(note(recipes_of(shop, 2, earlier=(1,)))).taken
    assert unit.recipes() == {plate().id: other_dose().content_hash()}
    shop.retire(name, BY)
    assert unit.take(note(recipes_of(shop, 3))).lines == (f"{plate().id}@2 retired",)
    assert unit.recipes() == {}


def test_what_the_shop_does_not_name_stays(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    own = plate("stencil")
    with RecipeStore.open(unit.settings.recipes) as store:
        approve(store, own)
        draft = store.add(plate(), BY)
    unit.take(note(recipes_of(shop)))
    assert unit.recipes() == {
        own.id: own.content_hash(), plate().id: plate().content_hash()
    }  # fmt: skip
    with RecipeStore.open(unit.settings.recipes) as store:
        assert store.find(plate().id).number == draft.number  # approved as it lay there


def test_one_that_was_off_takes_the_newest_and_says_what_it_skipped(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.take(note(recipes_of(shop, 3)))
    unit.later(days=7)
    outcome = unit.take(note(recipes_of(shop, 6, earlier=(2, 3, 4, 5))))
    assert "Skipped: 4, 5, which never came here" in outcome.text
    fresh = Unit(tmp_path / "fresh")
    assert "Skipped" not in fresh.take(note(recipes_of(shop, 6, earlier=(4, 5)))).text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"site": "other-shop"}, "it is for site other-shop; this unit is of invented-shop"),
        ({"unit": "unit-2"}, "it is for unit unit-2; this is unit-1"),
        ({"made_utc": NOW + timedelta(days=2)}, "made at 2026-03-11 07:00 UTC and here it is"),
        ({"revision": 4}, "revision 4 is older than 5, which holds here since 2026-03-09"),
        ({"revision": 5, "why": "another"}, "with other content: two were signed under one number"),
    ],
)
def test_what_is_not_for_here_or_was_before_is_refused(shop, tmp_path, changes, words) -> None:
    unit = Unit(tmp_path / "unit")
    assert unit.take(note(recipes_of(shop, 5))).taken
    approve(shop, other_dose())
    outcome = unit.take(note(recipes_of(shop, **({"revision": 6} | changes))))
    assert not outcome.taken and words in outcome.text
    assert unit.recipes() == {plate().id: plate().content_hash()}
    assert unit.state.taken["recipes"].revision == 5
    assert unit.state.refusals() == (outcome.text,)
    assert [one.taken for one in unit.state.notes] == [True, False]


def test_an_earlier_one_for_the_unit_alone_is_no_rollback_when_it_comes_again(
    shop, tmp_path
) -> None:
    """The broker keeps both: each connection hears both again."""
    unit = Unit(tmp_path / "unit")
    mine = note(recipes_of(shop, 1, unit="unit-1"))
    assert unit.take(mine).taken
    assert unit.take(note(recipes_of(shop, 2))).taken
    assert unit.take(mine).taken and not unit.state.refusals()
    assert unit.state.taken["recipes"].revision == 2


def test_two_keys_hold_while_the_shop_changes_its_key(shop, tmp_path) -> None:
    old, both = SHOP_KEY.verifier, (SHOP_KEY.verifier, OTHER_KEY.verifier)
    data = note(recipes_of(shop), OTHER_KEY)
    assert not Unit(tmp_path / "a", keys=(old,)).take(data).taken
    unit = Unit(tmp_path / "b", keys=both)
    assert unit.take(data).taken and unit.state.taken["recipes"].key == OTHER_KEY.verifier.text


def test_key_of_another_site_is_another_key(shop, tmp_path) -> None:
    other = key_of(bytes(range(32)), site="other-shop")
    assert not Unit(tmp_path / "unit").take(note(recipes_of(shop), other)).taken


@settings(max_examples=40, deadline=None)
@given(order=st.permutations(range(1, 7)))
def test_in_any_order_the_highest_that_came_holds_and_none_goes_back(
    tmp_path_factory, order
) -> None:
    unit = Unit(tmp_path_factory.mktemp("unit"))
    newest = 0
    for number in order:
        one = Recipes(**head("recipes", number), recipes=(), retired=())
        assert unit.take(note(one)).taken == (number > newest)
        newest = max(newest, number)
        assert unit.state.taken["recipes"].revision == newest


# --- all or nothing --------------------------------------------------------------------------


def test_one_recipe_that_cannot_be_taken_leaves_all_as_it_was(shop, tmp_path) -> None:
    approve(shop, plate("stencil"))
    whole = recipes_of(shop)
    for change, words in (
        ({"hash": "0" * 64}, "is another here than the one approved"),
        ({"content": whole.recipes[1].content | {"step": []}}, "cannot be used here"),
        ({"content": whole.recipes[0].content, "hash": whole.recipes[0].hash}, "one can be"),
    ):
        bad = whole.recipes[1].model_copy(update=change)
        sent = whole.model_copy(update={"recipes": (whole.recipes[0], bad)})
        unit = Unit(tmp_path / words[:5].strip())
        outcome = unit.take(note(sent))
        assert not outcome.taken and words in outcome.text
        assert unit.recipes() == {} and not unit.state.taken


def test_what_a_crash_left_applied_and_not_told_is_taken_again(shop, tmp_path) -> None:
    unit, data = Unit(tmp_path / "unit"), note(recipes_of(shop))
    unit.take(data)
    unit.file.path.unlink()  # as if the power went between the two files
    outcome = unit.take(data)
    assert outcome.taken and outcome.lines == () and "nothing new" in outcome.text


def test_nothing_is_taken_while_what_was_taken_cannot_be_read(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.take(note(recipes_of(shop, 2)))
    unit.file.path.write_text('{"format": 1, "taken"', "utf-8")
    outcome = unit.take(note(recipes_of(shop, 1)))
    assert (
        not outcome.taken
        and "an old revision could not be distinguished from a new one" in outcome.text
    )
    assert unit.file.path.read_text("utf-8") == '{"format": 1, "taken"'


def test_a_place_that_cannot_be_written_is_said(shop, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.file = TakenFile(tmp_path / "gone" / "journal.shop")
    assert (
        "cannot be written (No such file or directory): nothing is taken"
        in unit.take(note(recipes_of(shop))).text
    )


def test_whoever_takes_keeps_everybody_else_out_until_it_is_done(
    shop, tmp_path, monkeypatch
) -> None:
    """The daemon and a person at the keyboard: the same revision is taken once."""
    unit, tried = Unit(tmp_path / "unit"), []

    def applied(*_: object) -> tuple[str, ...]:
        with (tmp_path / "unit" / "journal.shop.lock").open() as other:
            with pytest.raises(BlockingIOError):
                fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
            tried.append(True)
        return ()

    monkeypatch.setattr("platelink.distribution.unit.take_recipes", applied)
    assert unit.take(note(recipes_of(shop))).taken and tried
    with (tmp_path / "unit" / "journal.shop.lock").open() as other:
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)  # and lets them in again


# --- refusals in the record ------------------------------------------------------------------


def test_a_refusal_is_noted_once_while_it_lasts_and_no_oftener_than_each_minute(
    shop, tmp_path
) -> None:
    unit, good = Unit(tmp_path / "unit"), note(recipes_of(shop, 5))
    forged = note(recipes_of(shop, 5), OTHER_KEY)
    for _ in range(50):
        unit.take(forged)
    (noted,) = unit.state.notes
    assert "is not signed by the shop's key" in noted.text
    for _ in range(50):  # in turn with a good one, to fill the record
        unit.later(seconds=0.1)
        unit.take(good)
        unit.take(forged)
    assert [one.taken for one in unit.state.notes] == [False, True]
    unit.later(minutes=1)
    unit.take(good)
    unit.take(forged)
    assert [one.taken for one in unit.state.notes] == [False, True, False]
    unit.now -= timedelta(days=400)  # the clock is set back
    unit.take(good)
    unit.take(forged)
    assert len(unit.state.notes) == 4
    unit.take(good)
    assert unit.state.refusals() == ()


# --- people ----------------------------------------------------------------------------------


def signs_in(unit: Unit, name: str, secret: str) -> bool:
    with people_at(unit.settings.people) as store:
        try:
            store.sign_ins.sign_in(name, secret, unit.now)
        except SignInRefused:
            return False
    return True


def test_everybody_signs_in_with_the_shop_s_secret_and_no_hash_is_to_be_read(
    people: People, tmp_path
) -> None:
    unit, data = Unit(tmp_path / "unit"), note(people_of(people))
    assert unit.take(data).taken
    assert unit.everybody() == {
        LEAD: ("lead", True), OPERATOR: ("operator", True), AUDITOR: ("auditor", True)
    }  # fmt: skip
    assert all(signs_in(unit, name, SECRET[name]) for name in (LEAD, OPERATOR, AUDITOR))
    assert b"argon2" not in data and b"$" not in data
    for (made,) in people.log.database.rows("SELECT hash FROM hashes"):
        assert made.rpartition("$")[2].encode() not in data
    with people_at(unit.settings.people) as store:
        assert all("people, revision 1 of the shop" in e.why for e in store.log.history(OPERATOR)
                   if e.act == "added")  # fmt: skip


def test_role_and_leaving_come_and_whoever_is_here_alone_stays(people: People, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    with people_at(unit.settings.people) as store:
        store.add_first("Local Example", "an own invention", BY)
    unit.take(note(people_of(people)))
    people.change_role(AUDITOR, Role.LEAD, BY)
    people.close_person(OPERATOR, BY)
    outcome = unit.take(note(people_of(people, 2)))
    assert outcome.lines == (f"{OPERATOR} deactivated", f"{AUDITOR} is lead now")
    assert not signs_in(unit, OPERATOR, SECRET[OPERATOR])
    assert unit.everybody()["Local Example"] == ("lead", True)
    people.open_person(OPERATOR, BY)
    assert unit.take(note(people_of(people, 3))).lines == (f"{OPERATOR} reactivated",)
    assert signs_in(unit, OPERATOR, SECRET[OPERATOR])


def test_an_open_sign_in_ends_with_the_person_s_leaving(people: People, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.take(note(people_of(people)))
    with people_at(unit.settings.people) as store:
        token = store.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], unit.now).token
        people.close_person(OPERATOR, BY)
        unit.take(note(people_of(people, 2)))
        assert store.sign_ins.session(token, unit.now) is None


def test_a_secret_changed_here_stays_until_the_shop_gives_another(people: People, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.take(note(people_of(people)))
    with people_at(unit.settings.people) as store:
        store.change_own_secret(OPERATOR, SECRET[OPERATOR], "602917", unit.now)
    assert unit.take(note(people_of(people, 2))).lines == ()
    assert signs_in(unit, OPERATOR, "602917")
    people.change_secret(OPERATOR, "846013", BY)
    assert unit.take(note(people_of(people, 3))).lines == (
        f"{OPERATOR} has the shop's PIN or password",
    )
    assert signs_in(unit, OPERATOR, "846013") and not signs_in(unit, OPERATOR, "602917")


def test_the_shop_s_own_unit_signs_nobody_out(people: People, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    unit.settings = replace(unit.settings, people=tmp_path / "people.sqlite")
    assert unit.take(note(people_of(people))).lines == ()


@pytest.mark.parametrize("key", [None, bytes(32)])
def test_without_the_people_key_nobody_is_taken(people: People, tmp_path, key) -> None:
    unit = Unit(tmp_path / "unit", people_key=key)
    outcome = unit.take(note(people_of(people)))
    assert not outcome.taken and "[shop] people_key_file" in outcome.text
    assert unit.everybody() == {}


def test_hashes_of_another_revision_are_not_opened(people: People, tmp_path) -> None:
    """Who has the shop's key and no people key cannot put old secrets into a new list."""
    first, second = people_of(people, 1), people_of(people, 2)
    mixed = second.model_copy(update={"secrets": first.secrets})
    assert "cannot be opened" in Unit(tmp_path / "unit").take(note(mixed)).text


def test_a_list_that_would_lock_everybody_out_is_refused(people: People, tmp_path) -> None:
    unit = Unit(tmp_path / "unit")
    assert unit.take(note(people_of(people))).taken
    whole = people_of(people, 2)
    without = tuple(
        one.model_copy(update={"active": False}) if one.name == LEAD else one
        for one in whole.people
    )
    outcome = unit.take(note(whole.model_copy(update={"people": without})))
    assert not outcome.taken and "no active lead" in outcome.text
    assert unit.everybody()[LEAD] == ("lead", True)


def test_names_and_hashes_that_cannot_be_are_refused_whole(people: People, tmp_path) -> None:
    from distribution.made import NONCE, SITE
    from platelink.distribution.secrets import bound_to, closed

    whole = people_of(people)
    good = {one.name: made for one, (made,) in zip(
        whole.people, people.log.database.rows("SELECT hash FROM hashes ORDER BY key"), strict=True
    )}  # fmt: skip
    heavy = good[LEAD].replace("m=8", "m=999999999")
    for number, (hashes, words) in enumerate((
        (good | {OPERATOR: "plain"}, "no argon2 hash"),
        (good | {OPERATOR: good[LEAD].replace("argon2id", "argon2i")}, "no argon2id hash"),
        (good | {OPERATOR: heavy}, "at most 256 MiB"),
        ({LEAD: good[LEAD]}, "does not prove exactly the people it lists"),
    )):  # fmt: skip
        secrets = closed(hashes, PEOPLE_KEY, NONCE, bound_to(SITE, None, 1))
        unit = Unit(tmp_path / f"unit-{number}")
        outcome = unit.take(note(whole.model_copy(update={"secrets": secrets})))
        assert not outcome.taken and words in outcome.text, outcome.text
        assert unit.everybody() == {}
    twice = whole.model_copy(update={"people": (*whole.people, whole.people[0])})
    assert "stands twice" in Unit(tmp_path / "twice").take(note(twice)).text


# --- calibrations ----------------------------------------------------------------------------


def held(unit: Unit, sensor: str = "light 0"):
    with CalibrationStore.open(unit.settings.calibrations) as store:
        return in_force(store.of(sensor))


def test_a_calibration_holds_with_its_own_dates_and_its_line_is_found_anew(bench, tmp_path) -> None:
    approved(bench)
    unit = Unit(tmp_path / "unit")
    assert unit.take(note(calibrations_of(bench))).lines == ("light 0@1 in force",)
    made = held(unit)
    there = in_force(bench.of("light 0"))
    assert made.line.gain == pytest.approx(SLOPE, rel=1e-3) and made.line == there.line
    assert made.finished.at_utc == there.finished.at_utc and made.due_on == DUE
    assert made.finished.who == "A. Example" and made.approved.who == "shop: S. Example"
    assert made.approved.at_utc == NOW and "approved by B. Example" in made.approved.why
    assert "calibrations, revision 1 of the shop, key" in made.begun.why
    again = unit.take(note(calibrations_of(bench, 2)))
    assert again.taken and again.lines == () and held(unit).revision == 1


def test_levels_left_out_stay_left_out(bench, tmp_path) -> None:
    name = read(bench).name
    bench.level(name, bench.find(name).levels[0], by())
    bench.leave_out(name, 5, by("a slip"))
    bench.finish(name, DUE, by(), today=by().at_utc.date())
    bench.approve(name, by("good"))
    unit = Unit(tmp_path / "unit")
    assert unit.take(note(calibrations_of(bench))).taken
    assert held(unit).left_out == {5: "a slip"}
    assert unit.take(note(calibrations_of(bench, 2))).lines == ()


def test_one_that_does_not_fit_or_is_past_its_date_is_refused_and_nothing_of_it_stays(
    bench, tmp_path
) -> None:
    approved(bench)
    approved(bench, "light 1")

    def fits(calibration) -> str:
        return "made with other settings" if calibration.sensor == "light 1" else ""

    unit = Unit(tmp_path / "unit", fits=fits)
    outcome = unit.take(note(calibrations_of(bench)))
    assert "light 1@1 does not fit this unit: made with other settings" in outcome.text
    assert held(unit) is None
    late = Unit(tmp_path / "late")
    late.now = datetime.combine(DUE + timedelta(days=1), NOW.timetz())
    sent = calibrations_of(bench, made_utc=late.now)
    assert f"was due on {DUE}; calibrate light 0 again" in late.take(note(sent)).text
    assert held(late) is None


def test_what_the_store_would_not_take_from_a_person_it_does_not_take_from_the_shop(
    bench, tmp_path
) -> None:
    approved(bench)
    (sent,) = calibrations_of(bench).calibrations
    plan = dict(sent.plan)
    for change, words in (
        ({"levels": sent.levels[:1]}, "level"),
        ({"plan": plan | {"instrument": dict(plan["instrument"]) | {"k": 99.0}}}, "coverage"),
        ({"due_on": "2036-01-01"}, "within two years"),
        ({"levels": ({"x": 1.0},)}, "cannot be read"),
        ({"left_out": {"x": "why"}}, "cannot be read"), ({"left_out": {"9": "why"}}, "no level 9"),
        ({"sensor": "vacuum"}, "only light has a dark"),
    ):  # fmt: skip
        one = Calibrations(
            **head("calibrations", unit="unit-1"),
            calibrations=(sent.model_copy(update=change),),
        )
        unit = Unit(tmp_path / "unit")
        outcome = unit.take(note(one))
        assert not outcome.taken and words in outcome.text, outcome.text
        assert held(unit) is None and held(unit, "vacuum") is None


def test_it_waits_for_a_calibration_that_is_being_read_here(bench, tmp_path) -> None:
    approved(bench)
    unit = Unit(tmp_path / "unit")
    with CalibrationStore.open(unit.settings.calibrations) as store:
        read(store)
    data = note(calibrations_of(bench))
    assert "is still being read, begun by A. Example" in unit.take(data).text
    with CalibrationStore.open(unit.settings.calibrations) as store:
        store.drop("light 0@1", by("the shop's is better"))
    assert unit.take(data).taken and held(unit).revision == 2


def test_a_calibration_is_of_one_unit_and_one_sensor(bench) -> None:
    approved(bench)
    with pytest.raises(ValueError, match="one unit's sensor"):
        calibrations_of(bench, unit=None)
    (sent,) = calibrations_of(bench).calibrations
    for wrong in ("light -1", "light 01", "light", "water", "light 0 "):
        with pytest.raises(ValueError, match="sensor"):
            type(sent).model_validate(sent.model_dump() | {"sensor": wrong})
    with pytest.raises(ValueError, match="one of each sensor"):
        Calibrations(**head("calibrations", unit="unit-1"), calibrations=(sent, sent))


def test_a_store_that_refuses_is_a_refusal_and_no_crash(shop, tmp_path, monkeypatch) -> None:
    unit = Unit(tmp_path / "unit")

    def full(*_: object) -> None:
        raise StoreRefused("the disk is full; free some space")

    monkeypatch.setattr(RecipeStore, "approve", full)
    outcome = unit.take(note(recipes_of(shop)))
    assert not outcome.taken and outcome.text.endswith("the disk is full; free some space")
    with RecipeStore.open(unit.settings.recipes) as store:
        assert store.recipes() == ()  # not even the draft
