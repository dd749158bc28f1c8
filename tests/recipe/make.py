"""Invented recipes for the tests, by hand and by hypothesis."""

from __future__ import annotations

import string
from datetime import UTC, date, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from platelink.ledger.by import By
from platelink.recipe import example
from platelink.recipe.load import loads
from platelink.recipe.model import Recipe
from platelink.recipe.supplies import Film, Lot, Screen

T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def by(why: str = "", *, hours: float = 0.0, who: str = "A. Example") -> By:
    """Somebody, some time after the beginning."""
    return By(who, T0 + timedelta(hours=hours), why)


def plate(name: str = "plate-a-fine", **changes: Any) -> Recipe:
    """An example recipe with other values at its top."""
    return Recipe.model_validate(loads(example.text(name)).content() | changes)


def with_step(recipe: Recipe, step: str, /, **changes: Any) -> Recipe:
    """The recipe with other values in one step."""
    steps = [one | changes if one["name"] == step else one for one in recipe.content()["step"]]
    return Recipe.model_validate(recipe.content() | {"step": steps})


LOT = Lot(
    name="L-17",
    stock="example-stock-a",
    received_on=date(2026, 2, 1),
    best_before=date(2026, 8, 1),
    area_cm2=10_000.0,
)
FILM = Film(name="F-12", artwork="invented-logo", made_on=date(2026, 2, 1), density=4.1, max_uses=2)
SCREEN = Screen(name="example-screen-fine", ruling_lines_per_cm=54.0, tint_pct=88.0, max_uses=2)

# --- by hypothesis -------------------------------------------------------------------------

_LETTERS = string.ascii_letters + string.digits
names = st.text(_LETTERS + "._-", max_size=8).map(lambda tail: f"n{tail}")
lines = st.text(
    st.characters(exclude_categories=["C", "Z"], include_characters=" "), min_size=1, max_size=20
).filter(lambda text: text.strip() == text and text.isprintable())
paragraphs = st.lists(lines, min_size=1, max_size=3).map("\n".join)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, exclude_min=True) | st.integers(int(low) + 1, int(high)).map(float)


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


@st.composite
def rising(draw: st.DrawFn, count: int, low: float, high: float) -> list[float]:
    found = draw(st.lists(numbers(low, high), min_size=count, max_size=count, unique=True))
    return sorted(found)


def common(kind: str) -> dict[str, st.SearchStrategy[Any]]:
    return {
        "kind": st.just(kind),
        "instructions": maybe(paragraphs),
        "cautions": st.lists(lines, max_size=2),
    }


@st.composite
def exposures(draw: st.DrawFn) -> dict[str, Any]:
    tolerance = draw(numbers(0.0, 50.0))
    dither = draw(maybe(numbers(0.0, 3.0))) if tolerance >= 3.5 else None
    step = draw(st.fixed_dictionaries(common("expose") | {
        "dose_mj_cm2": numbers(0.0, 1e6), "tolerance_pct": st.just(tolerance),
        "dither_pct": st.just(dither), "on_leak": st.sampled_from(["hold", "abort"]),
        "guard_factor": numbers(1.0, 10.0), "screen": maybe(names),
    }))  # fmt: skip
    low, high = draw(rising(2, 0.0, 110.0))
    band = {"low_kpa": low, "high_kpa": high, "hold_test_s": draw(maybe(numbers(0.0, 600.0)))}
    return step | {"contact": draw(maybe(st.just(band)))}


@st.composite
def washes(draw: st.DrawFn) -> dict[str, Any]:
    stage = st.fixed_dictionaries(
        {"name": lines, "duration_s": numbers(0.0, 86_400.0), "prompt": paragraphs}
    )
    low, high = draw(maybe(rising(2, 0.0, 100.0))) or (None, None)
    stages = st.lists(stage, min_size=1, max_size=3, unique_by=lambda s: s["name"])
    step = draw(st.fixed_dictionaries(common("wash") | {"stage": stages}))
    return step | {"water_low_c": low, "water_high_c": high}


@st.composite
def bakes(draw: st.DrawFn) -> dict[str, Any]:
    low, nominal, high, limit = draw(rising(4, 0.0, 500.0))
    step = draw(st.fixed_dictionaries(common("bake") | {
        "in_band_s": numbers(0.0, 86_400.0), "activation_energy_kj_mol": maybe(numbers(0.0, 999.0)),
    }))  # fmt: skip
    return step | {"low_c": low, "nominal_c": nominal, "high_c": high, "limit_c": limit}


@st.composite
def inspections(draw: st.DrawFn) -> dict[str, Any]:
    step = draw(st.fixed_dictionaries(common("inspect")))
    low, high = draw(rising(2, 0.0, 10_000.0))
    where = draw(maybe(paragraphs))
    point = {"name": draw(lines), "low_um": low, "high_um": high, "where": where}
    check = {"name": draw(lines), "question": draw(lines), "defect": draw(names)}
    return step | draw(st.sampled_from([{"point": [point]}, {"check": [check]},
                                        {"point": [point], "check": [check]}]))  # fmt: skip


def _simple(kind: str, **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(common(kind) | {"duration_s": maybe(numbers(0.0, 86_400.0))}
                                 | fields)  # fmt: skip


steps = (
    exposures() | washes() | bakes() | inspections() | _simple("blow_off")
    | _simple("prompt", instructions=paragraphs)
)  # fmt: skip


laws = st.fixed_dictionaries({
    "p": st.floats(0.5, 1.5), "p_uncertainty": maybe(st.floats(0.0, 0.5)),
    "reference_mw_cm2": numbers(0.0, 1000.0),
})  # fmt: skip


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    """Any recipe."""
    given = draw(st.lists(steps, min_size=1, max_size=4))
    called = draw(st.lists(names, min_size=len(given), max_size=len(given), unique=True))
    return Recipe.model_validate({
        "format": 1, "id": draw(names), "title": draw(lines),
        "description": draw(maybe(paragraphs)), "stock": draw(maybe(names)),
        "reciprocity": draw(maybe(laws)),
        "step": [step | {"name": name} for step, name in zip(given, called, strict=True)],
    })  # fmt: skip
