"""Languages: catalogues (.po) read when somebody first wants them, and the one a request gets.

English stands in templates and scripts themselves; every other language is ``texts/<language>.po``.
Catalogues are compiled in memory: there is no build step and no .mo file.
"""

from __future__ import annotations

import gettext
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from babel import Locale, UnknownLocaleError
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from platelink.web.words import ALARMS

HERE = Path(__file__).parent / "texts"
DEFAULT = "en"
OF_ALARMS = "alarm/unit.py"
FOR_SCRIPTS = (".js", "words.py", OF_ALARMS)
"""Endings of the files whose texts the browser needs."""

PLURALS_TOLD = 200
"""Plural forms of 0 to 199 are told to the browser; rules of languages repeat within 100."""


@dataclass(frozen=True)
class Language:
    """One language with its catalogue."""

    code: str
    path: Path | None = None
    """Its catalogue; English has none."""

    @cached_property
    def catalog(self) -> Catalog | None:
        """Its catalogue, as Babel reads it."""
        if self.path is None:
            return None
        with self.path.open("rb") as file:
            return read_po(file, locale=self.code)

    @cached_property
    def translations(self) -> gettext.NullTranslations:
        """The same as gettext has it."""
        if self.catalog is None:
            return gettext.NullTranslations()
        compiled = io.BytesIO()
        write_mo(compiled, self.catalog)
        compiled.seek(0)
        return gettext.GNUTranslations(compiled)

    @property
    def name(self) -> str:
        """What its own speakers call it."""
        return Locale.parse(self.code).get_language_name(self.code) or self.code

    @property
    def direction(self) -> str:
        """``ltr``, or ``rtl`` where it is written from the right."""
        return Locale.parse(self.code).text_direction

    def modules(self) -> dict[str, Callable[[], bytes]]:
        """What makes its JavaScript modules, by their names."""
        return {
            f"text-{self.code}.js": lambda: self.script,
            f"text-alarms-{self.code}.js": lambda: self.alarms,
        }

    @cached_property
    def script(self) -> bytes:
        """Texts of the scripts as a JavaScript module: a table, and the plural form of numbers."""
        plural = getattr(self.translations, "plural", None) or (lambda n: int(n != 1))
        forms = "".join(str(plural(n)) for n in range(PLURALS_TOLD))
        table = self._table(of_alarms=False)
        return f'{table}export const plurals="{forms}";\n'.encode()

    @cached_property
    def alarms(self) -> bytes:
        """Likely causes and next acts of alarms, which the view of alarms alone shows: a table."""
        return self._table(of_alarms=True).encode()

    def _table(self, *, of_alarms: bool) -> str:
        table = {}
        for message in self.catalog or ():
            places = [place for place, _ in message.locations if place.endswith(FOR_SCRIPTS)]
            if not message.id or not places or message.context:
                continue
            key = message.id if isinstance(message.id, str) else message.id[0]
            alone = key not in ALARMS and all(place.endswith(OF_ALARMS) for place in places)
            if alone == of_alarms:
                table[key] = message.string
        values = json.dumps(table, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
        return f"export const table={values};\n"


def read_languages(place: Path = HERE) -> dict[str, Language]:
    """Every language by its code, English first."""
    found = [Language(DEFAULT), *(Language(path.stem, path) for path in sorted(place.glob("*.po")))]
    return {language.code: language for language in found}


def choose(
    languages: dict[str, Language], wish: str | None, accept: str
) -> tuple[Language, Locale]:
    """The language for a person's own choice, else for the browser's; and the locale of numbers and
    times, which keeps the browser's country (24 hours in en-GB) where the language is the same."""
    tags = _accepted(accept)
    codes = [wish] if wish in languages else [tag.language for tag in tags]
    code = next((code for code in codes if code in languages), DEFAULT)
    assert code is not None
    same = (tag for tag in tags if tag.language == code)
    return languages[code], next(same, Locale.parse(code))


def _accepted(accept: str) -> list[Locale]:
    """Locales of an Accept-Language header, best first; what is none is passed over."""
    found: list[tuple[float, int, Locale]] = []
    for place, part in enumerate(accept[:500].split(",")):
        tag, _, quality = part.partition(";")
        try:
            weight = float(quality.strip().removeprefix("q=") or 1.0)
            locale = Locale.parse(tag.strip(), sep="-")
        except (ValueError, UnknownLocaleError, TypeError):
            continue
        found.append((-weight, place, locale))
    return [locale for _, _, locale in sorted(found, key=lambda row: row[:2])]
