"""Kinds of plate: what is refused of their recipes, and which cautions are shown at the work."""

from __future__ import annotations

from typing import Any

import pytest

from platelink.contract.texts import said
from platelink.control.procedure.plan import PlatePlan
from platelink.forms.write import to_toml
from platelink.recipe.diff import diff
from platelink.recipe.load import RecipeFileError, loads
from platelink.recipe.model import Recipe
from platelink.recipe.plate_kind import (
    FILM_HEAT,
    SOLVENT_BATH,
    SOLVENT_MIST,
    SOLVENT_OVEN,
    STEEL_EDGES,
    STEEL_RUST,
    cautions,
)
from platelink.simulated.plates import example

WATER_STEEL = {"wash": "water", "backing": "steel"}
SOLVENT_FILM = {"wash": "solvent", "backing": "film", "flash_point_c": 58.0}


def of(kind: dict[str, Any] | None, **steps: dict[str, Any]) -> Recipe:
    """An example of this kind, with other values in named steps: bath 21 to 27 °C, oven limit 69 °C
    and depths to 33 µm."""
    content = example().content() | ({} if kind is None else {"plate": kind})
    for step in content["step"]:
        step.update(steps.get(step["name"], {}))
    return Recipe.model_validate(content)


def test_a_recipe_that_says_nothing_of_it_is_as_before() -> None:
    assert "plate" not in of(None).content()
    assert of(None).content_hash() == example().content_hash()
    assert of(WATER_STEEL).content_hash() != example().content_hash()


@pytest.mark.parametrize("kind", [WATER_STEEL, SOLVENT_FILM, WATER_STEEL | {"layer_um": 33.0}])
def test_what_it_bears_is_accepted_and_written_as_it_reads(kind: dict[str, Any]) -> None:
    recipe = of(kind)
    assert loads(to_toml(recipe)).content_hash() == recipe.content_hash()
    told = list(map(str, diff(example(), recipe)))
    assert len(told) == 1 and told[0].startswith(f"plate none → wash {kind['wash']}")


@pytest.mark.parametrize(
    ("kind", "steps", "words"),
    [({"wash": "solvent", "backing": "film"}, {}, "flash_point_c: is needed for a solvent"),
     (WATER_STEEL | {"flash_point_c": 60.0}, {}, "is for wash"),
     (SOLVENT_FILM | {"flash_point_c": 41.9}, {}, "must be at most 26.9 °C: 15 K below"),
     (SOLVENT_FILM, {"washout": {"water_low_c": None, "water_high_c": None}}, "has limits"),
     (WATER_STEEL | {"backing": "film"}, {"dry": {"limit_c": 70.5}}, "at most 70 °C, which film"),
     (WATER_STEEL | {"heat_limit_c": 65.0}, {}, "at most 65 °C, which steel"),
     (WATER_STEEL | {"layer_um": 32.0}, {}, "at most 32 µm, the layer's thickness")],
)  # fmt: skip
def test_what_it_does_not_bear_is_refused(
    kind: dict[str, Any], steps: dict[str, Any], words: str
) -> None:
    with pytest.raises(ValueError, match=words.replace(".", r"\.")):
        of(kind, **steps)


def test_steel_bears_any_oven_and_film_what_its_maker_says() -> None:
    hot = {"high_c": 120.0, "limit_c": 140.0}
    of(WATER_STEEL, dry=hot)
    of(WATER_STEEL | {"backing": "film", "heat_limit_c": 140.0}, dry=hot)


def test_a_file_says_where_it_is_wrong() -> None:
    content = to_toml(of(SOLVENT_FILM)).replace('flash_point_c = "58 degC"', "flash_point_c = 30")
    with pytest.raises(RecipeFileError) as error:
        loads(content, "solvent.toml")
    assert "step[3].water_high_c" in str(error.value) and "at most 15 °C" in str(error.value)


@pytest.mark.parametrize(
    ("kind", "step", "shown"),
    [(WATER_STEEL, "washout", [STEEL_EDGES]), (WATER_STEEL, "blow-off", [STEEL_RUST]),
     (WATER_STEEL, "dry", []), (WATER_STEEL, "film", []),
     (SOLVENT_FILM, "washout", [SOLVENT_BATH]), (SOLVENT_FILM, "blow-off", [SOLVENT_MIST]),
     (SOLVENT_FILM, "dry", [SOLVENT_OVEN, FILM_HEAT]), (SOLVENT_FILM, "hardening", [])],
)  # fmt: skip
def test_cautions_stand_after_the_recipes_own_where_the_work_is(
    kind: dict[str, Any], step: str, shown: list[str]
) -> None:
    recipe = of(kind)
    plan = PlatePlan(plate="P-1", recipe=recipe, revision="a@1", content_hash="x", who="A. Example")
    own = next(one for one in recipe.step if one.name == step)
    got = next(one for one in plan.steps if one.name == step)
    assert list(got.cautions) == [*own.cautions, *shown]
    assert recipe.plate is not None and list(cautions(recipe.plate, own)) == shown
    # once, however often
    assert cautions(recipe.plate, got) == ()


def test_cautions_are_said_in_each_language() -> None:
    for text in (SOLVENT_BATH, SOLVENT_MIST, SOLVENT_OVEN, STEEL_EDGES, STEEL_RUST, FILM_HEAT):
        assert len({said(text, language) for language in ("en", "de", "es")}) == 3
