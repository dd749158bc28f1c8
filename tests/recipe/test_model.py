"""A recipe as data: round trip, hash, and everything wrong with a file told at once."""

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.forms.write import to_toml
from platelink.recipe import docs, example
from platelink.recipe.load import RecipeFileError, load, loads, loads_content, recipe_of
from platelink.recipe.model import Recipe
from platelink.recipe.steps import KINDS, BakeStep, ExposeStep
from recipe.make import plate, recipes, with_step

HEAD = 'format = 1\nid = "r"\ntitle = "R"\n'
EXPOSE = '[[step]]\nkind = "expose"\nname = "film"\ndose_mj_cm2 = 340\n'


def problems(text: str) -> list[str]:
    with pytest.raises(RecipeFileError) as caught:
        loads(text)
    return [str(problem) for problem in caught.value.problems]


# --- round trip and hash -------------------------------------------------------------------


@settings(max_examples=30)
@given(recipes())
def test_a_recipe_comes_back_from_toml_and_from_its_content(recipe: Recipe) -> None:
    assert loads(to_toml(recipe)) == recipe
    assert loads_content(recipe.canonical()) == recipe
    assert loads(to_toml(recipe)).content_hash() == recipe.content_hash()


def test_the_hash_is_of_the_content_not_of_its_writing() -> None:
    text = example.text("plate-a-fine")
    hash_ = loads(text).content_hash()
    same = [
        text.replace('"56 kPa"', "56").replace('"69 degC"', '"156.2 degF"'),
        text.replace('"14 min"', "840").replace('"340 mJ/cm2"', '"0.34 J/cm2"'),
        text.replace('on_leak = "hold"\n', ""),  # the default
        "\n".join(line for line in text.splitlines() if not line.startswith("#")),
    ]
    assert all(loads(other).content_hash() == hash_ for other in same)
    other = [
        text.replace('"340 mJ/cm2"', '"421 mJ/cm2"'),
        text.replace("Rub with", "Wipe with"),
        text.replace('name = "rub"', 'name = "rubbing"'),
    ]
    hashes = {loads(changed).content_hash() for changed in other}
    assert len(hashes) == 3 and hash_ not in hashes


def test_the_hash_of_a_known_content_stays() -> None:
    """Computed once with sha256sum of the canonical text, which is written out here."""
    text = HEAD + '[[step]]\nkind = "prompt"\nname = "p"\ninstructions = "Go."\n'
    recipe = loads(text)
    assert recipe.canonical() == (
        '{"description":null,"format":1,"id":"r","step":[{"cautions":[],"duration_s":null,'
        '"instructions":"Go.","kind":"prompt","name":"p"}],"stock":null,"title":"R"}'
    )
    assert recipe.content_hash() == (
        "4e53b4e6f0ccc2f765a6c0dd55a6da9bd2865398018bc6eb5893f67dc0765580"
    )


# --- what a file gives ---------------------------------------------------------------------


def test_quantities_as_people_type_them() -> None:
    recipe = loads(example.text("plate-a-fine"))
    film, dry = recipe.step[1], recipe.step[5]
    assert isinstance(film, ExposeStep) and isinstance(dry, BakeStep)
    assert film.dose_mj_cm2 == 340.0
    assert film.contact is not None
    assert film.contact.low_kpa == 56.0
    assert (film.guard_factor, film.on_leak, film.screen) == (1.5, "hold", None)
    assert (dry.nominal_c, dry.in_band_s) == (58.0, 840.0)


def test_no_contact_must_be_said() -> None:
    assert "step[0].contact : is missing" in problems(HEAD + EXPOSE)[0]
    assert problems(HEAD + EXPOSE + "contact = true\n") == [
        "recipe.toml: step[0].contact = true : must be false or a section [step.contact] with "
        "low_kpa and high_kpa"
    ]
    recipe = loads(HEAD + EXPOSE + "contact = false\n")
    assert "contact = false\n" in to_toml(recipe)


def test_everything_wrong_is_told_at_once() -> None:
    text = HEAD.replace('"r"', '"r r"') + EXPOSE.replace("340", '"340"') + "contact = false\n"
    text += EXPOSE.replace("340", "-1") + "guard = 2\n[step.contact]\nlow_kpa = 60\nhigh_kpa = 50\n"
    text += '[[step]]\nkind = "wasch"\nname = "w"\n[[step]]\nname = "x"\n'
    text += '[[step]]\nkind = "inspect"\nname = "i"\n[[step.point]]\nlow_um = "1 s"\nhigh_um = 2\n'
    kinds = "'expose', 'wash', 'blow_off', 'bake', 'inspect', 'prompt'"
    assert problems(text) == [
        "recipe.toml: id = \"r r\" : must be 1 to 64 letters, digits, '.', '_' or '-', "
        "beginning with a letter or digit",
        "recipe.toml: step[0].dose_mj_cm2 = \"340\" : dose '340': the unit is missing; write a "
        "number and one of mJ/cm2, J/cm2, J/m2",
        "recipe.toml: step[1].dose_mj_cm2 = -1 : must be greater than 0 mJ/cm2",
        "recipe.toml: step[1].contact.high_kpa = 50 : must be greater than low_kpa = 60 kPa",
        "recipe.toml: step[1].guard = 2 : is not a known key; known are kind, name, instructions, "
        "cautions, dose_mj_cm2, tolerance_pct, dither_pct, contact, on_leak, guard_factor, screen",
        f'recipe.toml: step[2].kind = "wasch" : must be one of {kinds}',
        f"recipe.toml: step[3].kind : is missing; write one of {kinds}",
        "recipe.toml: step[4].point[0].name : is missing; Name of the place; once a step.",
        "recipe.toml: step[4].point[0].low_um = \"1 s\" : depth '1 s': unit 's' is not known here; "
        "write a number and one of um, mm, mil",
        'recipe.toml: step[1].name = "film" : is the name of an entry above; each has its own',
    ]


BAKE = '[[step]]\nkind = "bake"\nname = "b"\nlow_c = 60\nnominal_c = 65\nhigh_c = 70\n'
BAKE += "limit_c = 80\nin_band_s = 900\n"
WASH = '[[step]]\nkind = "wash"\nname = "w"\n'
STAGE = '[[step.stage]]\nname = "s"\nduration_s = 1\nprompt = "Go."\n'


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        (BAKE.replace("= 65", "= 75"), "nominal_c = 75 : must be within the band, 60 to 70 °C"),
        (BAKE.replace("= 80", "= 70"), "limit_c = 70 : must be greater than high_c = 70 °C"),
        (BAKE.replace("= 70", '= "60 degC"'), 'high_c = "60 degC" : must be greater than low_c'),
        (BAKE.replace("900", "0"), "in_band_s = 0 : must be greater than 0 s"),
        (WASH + "water_low_c = 20\n" + STAGE, "water_low_c and water_high_c go together"),
        (WASH, "step[0].stage : is missing"),
        (WASH + "stage = []\n", "step[0].stage : least number of entries: 1"),
        (WASH + "[step.stage]\nname = 's'\n", "must be a list of sections, [[step.stage]]"),
        (WASH + STAGE + STAGE, 'step[0].stage[1].name = "s" : is the name of an entry above'),
        (WASH + 'cautions = "Wet."\n' + STAGE, "must be a list of texts"),
        (WASH + 'cautions = ["Wet\\u0007"]\n' + STAGE, "cautions[0] = \"Wet\\u0007\" : must"),
        ('[[step]]\nkind = "inspect"\nname = "i"\n', "step[0].point : there is nothing to inspect"),
        ("step = [1]\n", "step[0] = 1 : must be a section"),
        ("step = []\n", "step : least number of entries: 1"),
        ("[step]\nkind = 'bake'\n", "step : must be a list of sections, [[step]]"),
    ],
)  # fmt: skip
def test_a_wrong_value_is_told_with_its_bound(steps: str, told: str) -> None:
    found = problems(HEAD + steps)
    assert len(found) == 1 and told in found[0]


ODD = st.sampled_from(
    [None, True, -1, 0, 10**400, 1e308, float("nan"), "", "\x00", "1 kg", [], [1], {}, {"a": 1},
     date(2026, 3, 2), [[]], [{}], "expose", "1e999 s"]
)  # fmt: skip


@settings(max_examples=200)
@given(st.data(), st.sampled_from(example.names()), ODD)
def test_whatever_stands_in_a_file_is_told_and_never_raised(
    data: st.DataObject, name: str, odd: object
) -> None:
    tables = tomllib.loads(example.text(name))
    here: Any = tables
    while True:
        step = data.draw(
            st.sampled_from(sorted(here) if isinstance(here, dict) else range(len(here)))
        )
        if not isinstance(here[step], dict | list) or not here[step] or data.draw(st.booleans()):
            break
        here = here[step]
    here[step] = odd
    try:
        recipe = recipe_of(tables, "r.toml")
    except RecipeFileError as error:
        assert error.problems
        assert all(p.text and p.file == "r.toml" for p in error.problems)
    else:
        assert loads(to_toml(recipe)) == recipe


def test_another_file_is_refused(tmp_path) -> None:
    assert "format : is missing" in problems('id = "r"\n')[0]
    assert "the file is newer" in problems("format = 2\n")[0]
    assert "is not TOML" in problems("format =\n")[0]
    with pytest.raises(RecipeFileError, match="platelink recipe example"):
        load(tmp_path / "none.toml")
    (tmp_path / "r.toml").write_bytes(b"\xff")
    with pytest.raises(RecipeFileError, match="not UTF-8"):
        load(tmp_path / "r.toml")


def test_names_are_held_apart_in_code_as_well() -> None:
    recipe = plate()
    with pytest.raises(ValueError, match="is the name of an entry above"):
        with_step(recipe, "screen", name="film")


def test_every_key_is_described_and_numbers_are_bounded() -> None:
    from platelink.forms.walk import keys

    for model in (Recipe, *KINDS):
        for key in keys(model):
            assert key.description, key
            if key.kind.startswith(("number", "whole")) and key.name != "format":
                assert "at most" in key.kind or "≤" in key.kind or "<" in key.kind, key


# --- examples ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", example.names())
def test_every_example_loads_and_says_that_it_is_invented(name: str) -> None:
    text = example.text(name)
    recipe = loads(text)
    assert recipe.id == name
    assert "invented" in recipe.title and "invented" in text.splitlines()[0]
    assert tomllib.loads(to_toml(recipe))["id"] == name


def test_the_examples_are_of_two_stocks_three_screens_and_other_trades() -> None:
    recipes = [loads(example.text(name)) for name in example.names()]
    plates = [r for r in recipes if r.screens()]
    assert len({r.stock for r in plates}) == 2
    assert len({s for r in plates for s in r.screens()}) == 3
    assert len(recipes) - len(plates) == 2
    used = {step.kind for r in recipes for step in r.step}
    assert used == {"expose", "wash", "blow_off", "bake", "inspect", "prompt"}


def test_there_is_no_other_example() -> None:
    with pytest.raises(KeyError):
        example.text("../steps")


def test_the_page_about_recipes_is_current(tmp_path) -> None:
    page = Path(__file__).parents[2] / "docs/recipes.md"
    copy = tmp_path / "recipes.md"
    copy.write_text(page.read_text("utf-8").replace("Dose to be given.", "Old."), "utf-8")
    assert docs.main([str(copy)]) == 0
    assert copy.read_text("utf-8") == page.read_text("utf-8")
    assert docs.main([]) == 2


def test_every_kind_of_step_has_its_table() -> None:
    tables = docs.tables()
    for name in example.names():
        for step in loads(example.text(name)).step:
            for key in step.model_dump():
                assert f"`{key}`" in tables or f"step.{key}]" in tables, key


# --- the plate stock's answer to weak and strong light ------------------------------------------


def test_a_recipe_without_reciprocity_keeps_its_hash() -> None:
    content = plate().content()
    assert "reciprocity" not in content
    assert Recipe.model_validate(content | {"reciprocity": None}).content_hash() == (
        plate().content_hash()
    )


@pytest.mark.parametrize("p", [0.5, 0.9, 1.0, 1.5])
def test_weak_light_may_do_less_or_more(p: float) -> None:
    law = {"p": p, "reference_mw_cm2": 9.0}
    told = plate(reciprocity=law)
    assert told.content()["reciprocity"] == law | {"p_uncertainty": None}
    assert told.content_hash() != plate().content_hash()


@pytest.mark.parametrize("law", [{"p": 0.49}, {"p": 1.51}, {"p": 1.0, "reference_mw_cm2": None}])
def test_a_law_that_no_plate_has_is_refused(law: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="reciprocity"):
        plate(reciprocity={"reference_mw_cm2": 9.0} | law)
