"""The help of each view: the text of docs/page.md, whole in every language."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from starlette.routing import Route

from platelink.web import asking, calibrations, experiments, records, shop, trends, views
from platelink.web.app import ROUTES
from platelink.web.catalogue import HERE
from platelink.web.help import HELP, written
from platelink.web.texts import read_languages

DOCUMENT = Path(__file__).parents[2] / "docs" / "page.md"


def shown() -> set[str]:
    """Templates that the routes show."""
    sources = [
        Path(str(module.__file__))
        for module in (asking, calibrations, experiments, records, shop, trends, views)
    ]
    return {
        str(node.value).removesuffix(".html")
        for path in sources
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and str(node.value).endswith(".html")
    }


def test_every_view_has_its_help() -> None:
    assert shown() | {"trouble"} == set(HELP)
    routes = {r.path for r in ROUTES if isinstance(r, Route)} - {"/code"} | {"any other"}
    assert len(routes) == len(HELP)


def test_the_document_has_the_same_texts() -> None:
    """``python -m platelink.web.help docs/page.md`` writes them anew."""
    text = DOCUMENT.read_text("utf-8")
    assert written(text) == text
    assert all(part.what in text and f"### {part.title}" in text for part in HELP.values())


@pytest.mark.parametrize("code", [code for code in read_languages() if code != "en"])
def test_every_language_has_its_help(code: str) -> None:
    translate = read_languages()[code].translations.gettext
    for part in HELP.values():
        assert translate(part.what) != part.what
        assert all(translate(act.does) != act.does for act in part.acts)


def test_the_page_says_each_act_with_these_words() -> None:
    sources = [*(HERE / "templates").glob("*.html"), *(HERE / "static").glob("*.js")]
    page = "\n".join(path.read_text("utf-8") for path in sources)
    said = set(re.findall(r"""(?:_|\bt)\(\s*['"]([^'"]+)['"]""", page))
    assert {act.word for part in HELP.values() for act in part.acts} <= said
