"""What the unit says, in other languages: all of it, with its figures, and nothing else."""

from __future__ import annotations

import ast
import re
import tempfile
from functools import cache
from pathlib import Path

import pytest
from babel.messages.catalog import Message
from hypothesis import given
from hypothesis import strategies as st

from platelink.events.event import EventName
from platelink.simulated.campaign.draw import draw
from platelink.simulated.campaign.world import World
from platelink.simulated.virtual import in_simulated_time
from platelink.web import texts
from platelink.web.catalogue import _sentence_of
from platelink.web.in_sentences import IN_SENTENCES
from platelink.web.sentences import COMMAND, CONTEXT, LONGEST, Sentences, places
from platelink.web.show import sentences_of
from platesim.board import build

LANGUAGES = {k: one for k, one in texts.read_languages().items() if one.catalog is not None}
OF_PEOPLE = (
    "film", "hardening", "washout", "rub", "example-operator", "short", "light 0", "light 1",
    "Rub with a soft pad", "it does not go on",
)  # fmt: skip
"""Names and words of the recipe and of people: they stay."""
SEEDS = range(1, 7)

every_language = pytest.mark.parametrize("code", sorted(LANGUAGES))


def sentences(code: str) -> list[Message]:
    return [one for one in LANGUAGES[code].catalog or () if one.context == CONTEXT]


@cache
def reader(code: str) -> Sentences:
    """Of one language; names are found in it as «names»."""
    language = LANGUAGES[code]
    assert language.catalog is not None
    word = language.translations.gettext
    return Sentences(
        language.catalog,
        lambda text: f"«{text}»" if text in OF_PEOPLE else word(IN_SENTENCES.get(text, text)),
        ",",
    )


@cache
def said_in_the_campaign() -> frozenset[str]:
    build()
    found: set[str] = set()
    for seed in SEEDS:
        with tempfile.TemporaryDirectory() as directory:
            world = World(draw(seed), Path(directory))
            in_simulated_time(world.play())
        found |= {text for _, _, text in world.seen.recorded if text}
    assert len(found) > 50
    return frozenset(found)


@every_language
def test_every_event_has_a_name(code: str) -> None:
    catalog = LANGUAGES[code].catalog
    assert catalog is not None
    assert not [name for name in EventName if not catalog[str(name)].string]


@every_language
def test_whatever_a_unit_says_under_faults_is_said_in_full(code: str) -> None:
    left = {text: reader(code)(text) for text in said_in_the_campaign() if reader(code).left(text)}
    assert not left


@every_language
def test_each_sentence_comes_back_with_its_figures_in_their_places(code: str) -> None:
    wrong: dict[str, str] = {}
    for message in sentences(code):
        if re.search(r"\}\{", str(message.id)):
            continue  # where one ends and the other begins is known by their own words only
        values: dict[str, tuple[str, str]] = {}
        text = translated = ""
        for number, (words, name, form) in enumerate(places(str(message.id))):
            text += words
            if name is not None:
                figure, words_of_people = f"{number + 1}{number}.5", OF_PEOPLE[number % 2]
                kept = words_of_people if COMMAND in words else f"«{words_of_people}»"
                is_number = form[-1:] in ("f", "g", "d", "+")
                values[name] = (
                    (figure, figure.replace(".", ",")) if is_number else (words_of_people, kept)
                )
                text += values[name][0]
        for words, name, _ in places(str(message.string)):
            translated += words + ("" if name is None else values[name][1])
        word = LANGUAGES[code].translations.gettext(IN_SENTENCES.get(text, text))
        if word == text:  # else the page has it as a word
            wrong |= {str(message.id): said} if (said := reader(code)(text)) != translated else {}
    assert not wrong


@every_language
def test_a_translation_has_the_places_of_its_sentence(code: str) -> None:
    for message in sentences(code):
        named = [
            sorted(name for _, name, _ in places(str(text)) if name is not None)
            for text in (message.id, message.string)
        ]
        assert named[0] == named[1], message.id


@pytest.mark.parametrize(
    ("text", "german"),
    [
        (
            "vacuum fell 21.2 kPa in 0.4 s and would reach 0.9 kPa before the end, limit 58.0 kPa: "
            "check the blanket's edge and the hose, then restart",
            "Vakuum in 0,4 s um 21,2 kPa gefallen, vor dem Ende wären es 0,9 kPa, Grenze 58,0 kPa: "
            "Drucktuchrand und Schlauch prüfen, dann fortsetzen",
        ),
        ("film: running to complete; 190.0 of 190.0 mJ/cm²",
         "film: läuft → abgeschlossen; 190,0 von 190,0 mJ/cm²"),
        ("restart refused: a reason: nobody knows it",
         "Fortsetzen abgelehnt: a reason: nobody knows it"),
        ("hold, by Ada Invented", "Anhalten, von Ada Invented"),
        ("lamps off (dose) after 8.61 s of light", "Lampen aus (Dosis) nach 8,61 s Licht"),
    ],
)  # fmt: skip
def test_it_reads_as_german(text: str, german: str) -> None:
    assert sentences_of(LANGUAGES["de"])(text) == german


@pytest.mark.parametrize(
    "text",
    ["", "Rub with a soft pad.", "platelink 0.1.0", "x" * (LONGEST + 1), "Lot 3.5 is used first"],
)
def test_what_people_wrote_stays_as_it_is(text: str) -> None:
    assert sentences_of(LANGUAGES["de"])(text) == text


@given(st.text(max_size=80))
def test_no_text_breaks_it(text: str) -> None:
    assert isinstance(reader("de")(text), str)


def test_english_stays_english() -> None:
    english = texts.read_languages()["en"]
    assert sentences_of(english)("film: ready to running") == "film: ready to running"


def test_sentences_are_found_in_the_source_with_their_places() -> None:

    found = [
        _sentence_of(node)
        for node in ast.walk(ast.parse('f"oven air {self.oven_c:.1f} °C, {t} of {t}; "'))
    ]
    assert "oven air {oven_c:.1f} °C, {t} of {t_2}" in found
