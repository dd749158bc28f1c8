"""Every text of the page goes through the catalogues, and every catalogue is whole."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.jslexer import tokenize
from babel.messages.pofile import read_po

from platelink.control.alarm import unit as unit_alarms
from platelink.control.procedure.table import StepState
from platelink.control.states import State
from platelink.unit.bed import CANNOT_REACH
from platelink.web import words
from platelink.web.catalogue import HERE, TEXTS, bring_up
from platelink.web.texts import choose, read_languages

ROOT = Path(__file__).parents[2]
TEMPLATES = sorted((HERE / "templates").glob("*.html"))
SCRIPTS = sorted((HERE / "static").glob("*.js"))
CATALOGUES = sorted(TEXTS.glob("*.po"))
SPOKEN = ("alt", "aria-label", "label", "placeholder", "title")
"""Attributes that people read or hear."""

NAMES = ("platelink user first", "platelink doctor", "platelink", "m²")
TRANSLATED = {"t", "nt", "N"}


class Texts(HTMLParser):
    """Texts of a template in which everything computed is blanked."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.found.append(data.strip())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for name, value in attrs if name in SPOKEN and value]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_a_template_has_no_text_of_its_own(path: Path) -> None:
    text = re.sub(r"\{% block script %\}.*?\{% endblock %\}", "", path.read_text("utf-8"))
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", " ", text, flags=re.S)
    parser = Texts()
    parser.feed(text)
    found = [re.sub("|".join(NAMES), "", text) for text in parser.found]
    own = [text for text in found if re.search(r"[^\W\d_]{2,}", text)]
    assert not own


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_expressions_of_a_template_have_no_text_of_their_own(path: Path) -> None:
    """A sentence in quotes is a text: it goes through _() or ngettext()."""
    text = path.read_text("utf-8")
    for found in re.finditer(r"(?<![\w.])(_|ngettext)?\(?\s*'([^']*)'", text):
        if " " in found[2].strip() and re.match(r"[A-Z][a-z]+ [a-z]", found[2]):
            assert found[1] or text[: found.start()].rstrip().endswith(","), found[0]


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.stem)
def test_a_script_has_no_text_of_its_own(path: Path) -> None:
    """A string that begins like a sentence, or holds several words, is a text unless it is the
    class of an element or a name that only programs see."""
    tokens = list(tokenize(path.read_text("utf-8")))
    for place, token in enumerate(tokens):
        text = token.value[1:-1]
        before = [t.value for t in tokens[max(0, place - 4) : place]]
        sentence = re.match(r"[A-Z][a-z]+( [a-z]|[.:…!?]|$)", text) or re.search(
            r"[a-z]{2,} [a-z]{2,} [a-z]{2,}", text
        )
        if token.type != "string" or not sentence or text in KNOWN_TO_PROGRAMS:
            continue
        if before[-2:] == ["class", ":"]:
            continue
        assert TRANSLATED & set(before), f"{path.name}:{token.lineno}: {text}"


KNOWN_TO_PROGRAMS = {
    "Escape", "Enter", "Home", "End", "ArrowLeft", "ArrowRight", "INPUT", "Content-Type",
    "X-CSRF-Token", "M0 24 L-7 12 L0 0 L7 12 Z", "suppressed by design",
    "out of service", "stop before wash",
}  # fmt: skip


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.stem)
def test_no_text_hides_where_it_is_not_found(path: Path) -> None:
    """The extractor does not look into template strings."""
    assert not re.findall(r"\$\{[^}]*\b(?:t|nt|N)\(\s*\"", path.read_text("utf-8"))


def catalog(path: Path) -> Catalog:
    with path.open("rb") as file:
        return read_po(file, locale=path.stem)


NEVER = ("innerHTML", "outerHTML", "insertAdjacentHTML", "eval(", "new Function", "document.write",
         'setAttribute("style"', "http://", "https://")  # fmt: skip


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.stem)
def test_a_script_is_what_the_policy_lets_run(path: Path) -> None:
    text = path.read_text("utf-8")
    for forbidden in NEVER:
        allowed = {"http://": text.count("http://www.w3.org/2000/svg")}
        assert text.count(forbidden) == allowed.get(forbidden, 0), forbidden


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda p: p.stem)
def test_a_catalogue_is_whole_and_up_to_date(path: Path, tmp_path: Path) -> None:
    """``python -m platelink.web.catalogue`` brings it up."""
    shutil.copy(path, tmp_path)
    bring_up(tmp_path)
    assert (tmp_path / path.name).read_text("utf-8") == path.read_text("utf-8")
    messages = [message for message in catalog(path) if message.id]
    assert len(messages) > 400
    for message in messages:
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        assert all(forms), message.id


def test_a_new_language_begins_with_every_text(tmp_path: Path) -> None:
    bring_up(tmp_path, "fr")
    begun = catalog(tmp_path / "fr.po")
    assert {str(m.id) for m in begun} == {str(m.id) for m in catalog(TEXTS / "de.po")}
    assert not any(message.string and any(message.string) for message in begun if message.id)


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda p: p.stem)
def test_a_translation_has_the_same_places_to_fill(path: Path) -> None:
    def places(text: str) -> set[str]:
        return set(re.findall(r"\{\w+\}|%\(\w+\)s", text))

    for message in catalog(path):
        originals = (message.id,) if isinstance(message.id, str) else message.id
        forms = (message.string,) if isinstance(message.string, str) else message.string
        if message.id and message.context is None:  # sentences: tests/web/test_sentences.py
            allowed = places(" ".join(originals))
            assert all(places(form) <= allowed for form in forms), message.id
            assert places(forms[-1]) == places(originals[-1]), message.id


def test_there_is_a_second_language_at_least() -> None:
    assert len(read_languages()) >= 2


def test_words_of_the_service_are_those_it_has() -> None:
    known = {m.id for m in catalog(TEXTS / "de.po")}
    for alarm in unit_alarms.UNIT_ALARMS:
        assert {alarm.name, alarm.cause, alarm.next_act} <= known, alarm.name
    assert {str(state) for state in (*State, *StepState)} <= set(words.WORDS)


def test_refusals_in_fixed_words_are_those_of_the_service() -> None:
    sources = [*(ROOT / "platelink/api").glob("*.py"), *(ROOT / "platelink/people").glob("*.py")]
    said = {
        node.value
        for path in sources
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert set(words.OF_THE_SERVICE) <= said
    assert words.OF_THE_UNIT == (CANNOT_REACH,)


def test_what_scripts_get_is_a_table_and_plural_forms() -> None:
    german = read_languages()["de"].script.decode()
    assert '"held":"angehalten"' in german
    assert '"gauge silent":"' in german
    assert '"one minute":["eine Minute","{n} Minuten"]' in german
    assert "%(" not in german  # texts of templates stay at the server
    assert 'plurals="1011' in german


def test_the_language_is_the_persons_choice_then_the_browsers() -> None:
    languages = read_languages()

    def chosen(wish: str | None, accept: str) -> tuple[str, str]:
        language, locale = choose(languages, wish, accept)
        return language.code, str(locale)

    assert chosen(None, "de-AT,de;q=0.9,en;q=0.8") == ("de", "de_AT")
    assert chosen("en", "de-AT,de;q=0.9") == ("en", "en")
    assert chosen(None, "fr;q=0.9, en-GB;q=0.3") == ("en", "en_GB")
    assert chosen("xx", "") == ("en", "en")
    for nonsense in ("*", ";;;", "de;q=x", "x" * 2000, "zz-ZZ", "-"):
        assert chosen(None, nonsense)[0] in languages


def test_catalogues_are_text_files_of_the_tree() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "*.mo"], cwd=HERE, capture_output=True, text=True, check=False
    )
    assert listed.stdout == ""
