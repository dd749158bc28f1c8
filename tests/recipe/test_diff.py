"""What differs between two recipes, in words and units."""

from hypothesis import given, settings

from platelink.recipe.diff import diff
from platelink.recipe.model import Recipe
from recipe.make import plate, recipes, with_step


def told(old: Recipe, new: Recipe) -> list[str]:
    return [str(change) for change in diff(old, new)]


def moved(recipe: Recipe, order: list[int]) -> Recipe:
    steps = recipe.content()["step"]
    return Recipe.model_validate(recipe.content() | {"step": [steps[i] for i in order]})


@settings(max_examples=20)
@given(recipes(), recipes())
def test_nothing_is_told_exactly_when_both_are_the_same(a: Recipe, b: Recipe) -> None:
    assert diff(a, a) == ()
    assert (diff(a, b) == ()) == (diff(b, a) == ()) == (a.content_hash() == b.content_hash())


@settings(max_examples=20)
@given(recipes())
def test_a_copy_with_one_step_less_or_turned_round_is_told(recipe: Recipe) -> None:
    names = [step.name for step in recipe.step]
    if len(names) > 1:
        less = moved(recipe, list(range(1, len(names))))
        assert [(c.step, c.kind) for c in diff(recipe, less)] == [(names[0], "removed")]
        assert [(c.step, c.kind) for c in diff(less, recipe)] == [(names[0], "added")]
        kinds = {c.kind for c in diff(recipe, moved(recipe, list(range(len(names)))[::-1]))}
        assert kinds == {"moved"}


def test_values_are_told_with_their_units() -> None:
    old = plate()
    new = with_step(old, "film", dose_mj_cm2=357.0, on_leak="abort")
    new = with_step(new, "dry", limit_c=80.0)
    new = with_step(new, "screen", contact=None)
    assert told(old, new) == [
        "step film: dose 340 mJ/cm² → 357 mJ/cm² (+5 %)",
        "step film: on leak hold → abort",
        "step screen: contact low 56 kPa, high 89 kPa → none",
        "step dry: limit 69 °C → 80 °C",
    ]


def test_what_is_inside_a_step_is_known_by_its_name() -> None:
    old = plate()
    stages = old.content()["step"][3]["stage"]
    wet = {"name": "wet", "duration_s": 10.0, "prompt": "Wet it."}
    longer = stages[1] | {"duration_s": 45.0}
    new = with_step(old, "washout", stage=[wet, stages[0], longer, stages[2]])
    assert told(old, new) == [
        "step washout: stage wet: added at the beginning (duration 10 s, tolerance 5 s, "
        'prompt "Wet it.")',
        "step washout: stage rub: duration 30 s → 45 s (+50 %)",
    ]


def test_a_step_that_moved_is_told_as_moved_and_no_other() -> None:
    old = plate()
    (swapped,) = told(old, moved(old, [0, 1, 2, 3, 4, 6, 5, 7]))
    assert swapped in (
        "step dry: moved, now after hardening",
        "step hardening: moved, now after blow-off",
    )
    assert told(old, moved(old, [7, 0, 1, 2, 3, 4, 5, 6])) == [
        "step inspect: moved, now at the beginning"
    ]
    assert told(old, moved(old, [1, 2, 3, 4, 5, 6, 7, 0])) == [
        "step identify: moved, now after inspect"
    ]


def test_a_step_with_another_name_is_told_as_renamed() -> None:
    old = plate()
    assert told(old, with_step(old, "dry", name="bake")) == ["step bake: was named dry"]
    both = told(old, with_step(old, "dry", name="bake", limit_c=90.0))
    assert [line.split(" (")[0] for line in both] == [
        "step dry: removed",
        "step bake: added after blow-off",
    ]


def test_a_step_of_another_kind_is_another_step() -> None:
    old = plate()
    steps = old.content()["step"]
    steps[4] = {"kind": "prompt", "name": "blow-off", "instructions": "Shake the water off."}
    new = Recipe.model_validate(old.content() | {"step": steps, "title": "Other"})
    assert told(old, new) == [
        'title "Stock A, fine screen (invented)" → Other',
        'step blow-off: removed (blow_off, instructions "Blow the water off with low-pressure '
        'air, away from people.", cautions Wear goggles.)',
        'step blow-off: added after washout (prompt, instructions "Shake the water off.")',
    ]


def test_how_the_stock_answers_to_light_is_told_in_words_and_units() -> None:
    without = plate()
    law = plate(reciprocity={"p": 0.9, "reference_mw_cm2": 9.0})
    other = plate(reciprocity={"p": 0.85, "p_uncertainty": 0.02, "reference_mw_cm2": 9.5})
    assert list(map(str, diff(without, law))) == ["reciprocity none → p 0.9, reference 9 mW/cm2"]
    assert list(map(str, diff(law, other))) == [
        "reciprocity p 0.9 → 0.85",
        "reciprocity p uncertainty none → 0.02",
        "reciprocity reference 9 mW/cm2 → 9.5 mW/cm2",
    ]
