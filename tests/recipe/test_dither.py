"""Doses set off on purpose: by the plate's name, bounded by the tolerance, and as they are made."""

from __future__ import annotations

import hashlib

import pytest

from platelink.control.procedure.plan import PlatePlan
from platelink.recipe.dither import dither_pct, for_plate
from platelink.recipe.load import RecipeFileError, loads
from platelink.recipe.model import Recipe
from platelink.recipe.steps import ExposeStep
from platelink.simulated.plates import example, make, unit_for_plates
from platelink.unit.outputs import RunBegun, RunEnded
from recipe.make import plate


def dithered(pct: float = 2.0, tolerance_pct: float = 3.0) -> Recipe:
    """An example whose screen's dose is set off."""
    content = example().content()
    for step in content["step"]:
        if step["name"] == "screen":
            step |= {"dither_pct": pct, "tolerance_pct": tolerance_pct}
    return Recipe.model_validate(content)


def screen(recipe: Recipe) -> ExposeStep:
    (found,) = [s for s in recipe.step if isinstance(s, ExposeStep) and s.name == "screen"]
    return found


def test_anybody_finds_the_sign_again_from_the_names() -> None:
    step = screen(dithered())
    for name in ("P-1", "P-2", "Grün"):
        bit = hashlib.sha256(f"{name}\nscreen".encode()).digest()[0] & 1
        assert dither_pct(step, name) == (2.0 if bit else -2.0)


def test_about_as_many_plates_go_up_as_down_and_steps_apart() -> None:
    step = screen(dithered())
    other = step.model_copy(update={"name": "film"})
    signs = [dither_pct(step, f"P-{n}") for n in range(2000)]
    assert abs(sum(signs)) / 2.0 < 4.0 * 2000**0.5
    alike = sum(a == dither_pct(other, f"P-{n}") for n, a in enumerate(signs))
    assert abs(alike - 1000) < 4.0 * 500**0.5


def test_a_dose_in_order_is_within_the_recipes_tolerance_of_the_recipes_dose() -> None:
    step = screen(dithered(2.0, 3.0))
    for name in ("P-1", "P-2", "P-3", "P-4"):
        own = for_plate(step, name)
        assert isinstance(own, ExposeStep)
        most = own.dose_mj_cm2 * (1.0 + own.tolerance_pct / 100.0)
        least = own.dose_mj_cm2 * (1.0 - own.tolerance_pct / 100.0)
        assert abs(own.dose_mj_cm2 / step.dose_mj_cm2 - 1.0) == pytest.approx(0.02)
        assert most < step.dose_mj_cm2 * 1.0303 and least > step.dose_mj_cm2 * 0.9697


@pytest.mark.parametrize(("pct", "tolerance_pct"), [(3.1, 10.0), (1.6, 2.0), (0.0, 5.0)])
def test_more_than_the_tolerance_bears_is_refused(pct: float, tolerance_pct: float) -> None:
    with pytest.raises(ValueError, match="dither_pct"):
        dithered(pct, tolerance_pct)


def test_it_is_off_unless_the_recipe_asks_and_then_hashes_are_as_before() -> None:
    content = example().content()
    assert all("dither_pct" not in step for step in content["step"])
    assert "dither_pct" in str(dithered().content())
    assert plate().content_hash() == Recipe.model_validate(plate().content()).content_hash()
    for step in example().step:
        assert for_plate(step, "P-1") is step


def test_a_plan_has_the_steps_of_its_plate_and_the_recipe_as_it_is() -> None:
    recipe = dithered()
    plan = PlatePlan(plate="P-1", recipe=recipe, revision="a@1", content_hash="x", who="A. Example")
    off = plan.dither_pct("screen")
    own = next(s for s in plan.steps if s.name == "screen")
    assert isinstance(own, ExposeStep)
    assert own.dose_mj_cm2 == pytest.approx(260.0 * (1.0 + off / 100.0))
    assert plan.dither_pct("film") == 0.0 and plan.recipe is recipe
    assert plan.steps[0] is recipe.step[0]


def test_a_file_with_too_much_of_it_says_what_to_do() -> None:
    text = 'format = 1\nid = "a"\ntitle = "A"\n[[step]]\nkind = "expose"\nname = "film"\n' \
        "dose_mj_cm2 = 300\ntolerance_pct = 2\ndither_pct = 2\ncontact = false\n"  # fmt: skip
    with pytest.raises(RecipeFileError, match=r"at least 0\.5 % less than tolerance_pct = 2 %"):
        loads(text)


def test_the_unit_gives_the_dose_and_the_run_says_what_it_was_set_off_by() -> None:
    simulation = unit_for_plates()
    names = ("P-1", "P-2", "P-3", "P-4")
    make(simulation, dithered(), *names)
    begun = {o.run_id: o for o in simulation.outputs if isinstance(o, RunBegun)}
    ended = {o.run_id: o for o in simulation.outputs if isinstance(o, RunEnded)}
    seen = set()
    for one in begun.values():
        if one.step == "screen" and one.kind == "expose":
            off = dither_pct(screen(dithered()), str(one.plate))
            assert one.request["dither_pct"] == off
            assert one.target_dose_mj_cm2 == pytest.approx(260.0 * (1.0 + off / 100.0))
            given = ended[one.run_id].ended.dose_mj_cm2
            assert given == pytest.approx(one.target_dose_mj_cm2, rel=2e-3)
            seen.add(off)
        else:
            assert "dither_pct" not in one.request
    assert seen == {2.0, -2.0}
