"""Examples are scenarios of their own: none shares a set of values with another."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise

import pytest

from platelink.recipe import example
from platelink.recipe.load import loads
from platelink.recipe.model import Recipe
from platelink.recipe.steps import BakeStep, ExposeStep, InspectStep, WashStep
from platelink.simulated.demo_plate import RECIPE
from recipe.make import with_step

EXAMPLES = [loads(text) for text in (*map(example.text, example.names()), RECIPE)]


def value_sets(recipe: Recipe) -> Iterator[str]:
    """What a scenario is told by: values that belong together, in words."""
    exposures = [step for step in recipe.step if isinstance(step, ExposeStep)]
    for one, other in combinations(exposures, 2):
        yield f"doses {one.name}:{other.name} {one.dose_mj_cm2 / other.dose_mj_cm2:.3g}"
    for step in recipe.step:
        match step:
            case ExposeStep(contact=band) if band:
                yield f"contact {band.low_kpa:.4g} to {band.high_kpa:.4g} kPa"
            case WashStep():
                for stage, then in pairwise(step.stage):
                    yield f"stages {stage.duration_s:g} s, {then.duration_s:g} s"
            case BakeStep():
                yield f"bake {step.nominal_c:.4g} °C for {step.in_band_s:g} s"
            case InspectStep():
                for point in step.point:
                    yield f"depth {point.low_um:.4g} to {point.high_um:.4g} µm"


def shared(recipes: list[Recipe]) -> list[str]:
    """Every set of values that two of them have, with their names."""
    return [
        f"{one.id} and {other.id}: {same}"
        for one, other in combinations(recipes, 2)
        for same in sorted(set(value_sets(one)) & set(value_sets(other)))
    ]


def test_no_two_examples_share_a_set_of_values() -> None:
    assert not shared(EXAMPLES)
    kinds = {told.split()[0] for recipe in EXAMPLES for told in value_sets(recipe)}
    assert kinds == {"doses", "contact", "stages", "bake", "depth"}


@pytest.mark.parametrize("recipe", EXAMPLES, ids=lambda recipe: recipe.id)
def test_a_copy_under_another_name_is_told_with_every_set(recipe: Recipe) -> None:
    copy = recipe.model_copy(update={"id": "copy"})
    assert shared([recipe, copy]) == [
        f"{recipe.id} and copy: {told}" for told in sorted(set(value_sets(recipe)))
    ]


def test_one_set_taken_over_or_scaled_is_told() -> None:
    fine, other = (r for r in EXAMPLES if r.id in ("plate-a-fine", "plate-b-medium"))
    bake = with_step(other, "dry", low_c=55.0, nominal_c=58.0, high_c=61.0, in_band_s=840.0)
    assert shared([fine, bake]) == ["plate-a-fine and plate-b-medium: bake 58 °C for 840 s"]
    doses = with_step(other, "film", dose_mj_cm2=680.0)
    doses = with_step(doses, "screen", dose_mj_cm2=520.0)
    assert shared([fine, doses]) == ["plate-a-fine and plate-b-medium: doses film:screen 1.31"]
