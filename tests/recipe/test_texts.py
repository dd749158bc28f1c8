"""Texts of a recipe by language: written as a table, kept as one text, shown in one of them."""

from __future__ import annotations

import tomllib

import pytest

from platelink.contract.texts import by_language, said
from platelink.forms.problems import FormError
from platelink.recipe.example import text as example
from platelink.recipe.load import from_content, loads

RINSE = 'prompt = "Rinse under clean running water."'
BOTH = 'prompt = { de = "Unter fließendem Wasser abspülen.", en = "Rinse under running water." }'


def stage_prompt(recipe: object) -> str:
    (wash,) = (step for step in recipe.step if step.kind == "wash")  # type: ignore[attr-defined]
    return str(wash.stage[-1].prompt)


def test_a_text_by_language_is_kept_as_one_and_shown_in_each() -> None:
    recipe = loads(example("plate-a-fine").replace(RINSE, BOTH))
    text = stage_prompt(recipe)
    assert by_language(text) == tomllib.loads(BOTH)["prompt"]
    assert said(text, "de") == "Unter fließendem Wasser abspülen."
    assert said(text, "en") == said(text, "fr") == said(text) == "Rinse under running water."
    assert stage_prompt(from_content(recipe.content())) == text, "as it is stored and sent"


def test_dotted_keys_are_the_same_and_order_makes_no_other_hash() -> None:
    dotted = (
        'prompt.en = "Rinse under running water."\nprompt.de = "Unter fließendem Wasser abspülen."'
    )
    one, other = (loads(example("plate-a-fine").replace(RINSE, how)) for how in (BOTH, dotted))
    assert one.content_hash() == other.content_hash()


def test_without_english_the_first_language_is_the_fallback() -> None:
    assert said("[de] Abspülen.\n[es] Enjuagar.", "fr") == "Abspülen."


def test_a_plain_text_is_the_same_in_every_language() -> None:
    recipe = loads(example("plate-a-fine"))
    assert said(stage_prompt(recipe), "de") == "Rinse under clean running water."
    assert said("see [en] below", "de") == "see [en] below"


@pytest.mark.parametrize(
    ("written", "fault"),
    [
        ('prompt = { German = "Abspülen." }', "write texts by language"),
        ('prompt = { de = "" }', "must have a text for each language"),
        ("prompt = { de = 3 }", "must have a text for each language"),
        ("prompt = {}", "write texts by language"),
    ],
)
def test_what_is_no_text_by_language_is_refused(written: str, fault: str) -> None:
    with pytest.raises(FormError, match=fault):
        loads(example("plate-a-fine").replace(RINSE, written))
