"""From a template to an answer: the language, the person, the formats, and what went wrong."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from babel import Locale
from babel.numbers import get_decimal_symbol
from jinja2 import ChainableUndefined, Environment, FileSystemLoader
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from platelink import __version__
from platelink.contract.people import Me
from platelink.contract.texts import said
from platelink.events.event import for_people
from platelink.web.assets import compressed
from platelink.web.formats import Formats, units_document
from platelink.web.help import HELP
from platelink.web.in_sentences import IN_SENTENCES
from platelink.web.sentences import Sentences
from platelink.web.service import SIGN_IN, ServiceSays, get
from platelink.web.texts import Language, choose
from platelink.web.words import KEY_WORDS, WORDS

HERE = Path(__file__).parent / "templates"
LANGUAGE_COOKIE = "platelink_language"
THEME_COOKIE = "platelink_theme"
AHEAD = {
    "now": ["acts", "advice", "ask", "inspect", "readings", "single", "strip", "work"],
    "record": ["curves"],
    "alarms": ["ask"],
    "calibration": ["forms", "ask"],
    "experiment": ["forms", "ask", "picks"],
    "forms": ["ask"],
    "new_plate": ["forms", "ask", "picks"],
    "people": ["forms", "ask", "names"],
    "sign_in": ["names"],
}
"""Modules that a view's script imports besides the common ones: asked for at once, not in turn."""

THEMES = ("auto", "light", "dark")


class Templates:
    """One environment for each language, from when somebody first wants it."""

    def __init__(self, languages: Mapping[str, Language]) -> None:
        self._languages = languages
        self._of: dict[str, Environment] = {}

    def _in(self, language: Language) -> Environment:
        if language.code not in self._of:
            self._of[language.code] = _environment(self._languages[language.code])
        return self._of[language.code]

    def said(self, language: Language, text: str) -> str:
        """What the unit says, in the language."""
        return str(self._in(language).filters["sentence"](text))

    def render(self, language: Language, name: str, context: Mapping[str, object]) -> str:
        """The text of a template."""
        return self._in(language).get_template(name).render(context)


def sentences_of(language: Language) -> Callable[[str], str]:
    """What the unit says, in the language; as it stands in English, and in one without it."""
    if language.catalog is None:
        return lambda text: text
    translate = language.translations.gettext
    return Sentences(
        language.catalog,
        lambda text: translate(IN_SENTENCES.get(text, text)),
        get_decimal_symbol(Locale.parse(language.code)),
    )


def _environment(language: Language) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=ChainableUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.install_gettext_translations(  # type: ignore[attr-defined]
        language.translations, newstyle=True
    )
    translate = language.translations.gettext

    def word(text: object) -> object:
        """A word of the service as people read it."""
        return translate(WORDS.get(text, text)) if isinstance(text, str) and text else text

    def key_words(text: str) -> str:
        """The name of a fact: keys one after the other, and names that people gave."""
        parts = text.split(" · ")
        return " · ".join(translate(KEY_WORDS.get(part, part)) for part in parts)

    environment.filters |= {
        "word": word,
        "words": key_words,
        "said": said,
        "event_word": lambda name: translate(for_people(name)),
        "sentence": sentences_of(language),
    }
    return environment


def own_path(path: str) -> str:
    """A path of this page, whatever was asked for."""
    plain = path.isascii() and path.isprintable() and "\\" not in path
    return path if plain and path.startswith("/") and not path.startswith("//") else "/"


async def show(
    request: Request,
    template: str,
    *,
    status: int = 200,
    me: Me | None = None,
    **fetched: Any,
) -> Response:
    """The template with what it needs; awaitables among ``fetched`` are awaited together."""
    waiting = {name: value for name, value in fetched.items() if isinstance(value, Awaitable)}
    if me is None:
        waiting |= {"me": get(request, Me, "/v1/me")}
    values = await asyncio.gather(*waiting.values(), return_exceptions=True)
    for value in values:
        if isinstance(value, BaseException):
            raise value
        me = value if isinstance(value, Me) else me
    context = {**fetched, **dict(zip(waiting, values, strict=True))}
    return rendered(request, template, status, me, context)


def language_of(request: Request) -> tuple[Language, Locale]:
    """That of the request, and the locale of its numbers and times."""
    return choose(
        request.app.state.languages,
        request.cookies.get(LANGUAGE_COOKIE),
        request.headers.get("accept-language", ""),
    )


def rendered(
    request: Request, template: str, status: int, me: Me | None, context: Mapping[str, object]
) -> Response:
    """The template in the language of the request."""
    state = request.app.state
    language, locale = language_of(request)
    theme = request.cookies.get(THEME_COOKIE, "")
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    display = state.settings.display
    text = state.templates.render(
        language,
        template,
        {
            "path": request.url.path,
            "ahead": AHEAD,
            "here": quote(
                request.url.path + (f"?{request.url.query}" if request.url.query else "")
            ),
            "asset": state.assets.path,
            "language": language,
            "languages": state.languages.values(),
            "tag": str(locale).replace("_", "-"),
            "help": HELP.get(template.removesuffix(".html")),
            "theme": theme if theme in THEMES else "auto",
            "f": Formats(locale, display, zone, ltr=language.direction == "rtl"),
            "units": units_document(display),
            "me": me,
            "rights": me.rights if me else (),
            "software": __version__,
            **context,
        },
    )
    # Nobody else's page can ask for it to learn by its length: the cookies are strict.
    content, more = compressed(request, text.encode())
    headers = {"content-language": language.code, "vary": "accept-encoding", **more}
    return HTMLResponse(content, status, headers=headers)


async def trouble(request: Request, error: ServiceSays) -> Response:
    """Why there is no view: sign in first, or a page that says what to do."""
    if error.status == SIGN_IN and not error.nobody:
        back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/sign-in?next={quote(back)}", 303)
    me: Me | None = None
    if not error.nobody:
        with contextlib.suppress(ServiceSays):
            me = await get(request, Me, "/v1/me")
    status = 503 if error.status == SIGN_IN else error.status
    return rendered(request, "trouble.html", status, me, {"error": error})
