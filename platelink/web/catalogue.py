"""Every text of templates, scripts and words, and the catalogues (.po) brought up to them.

``python -m platelink.web.catalogue`` writes the new texts into every catalogue; what has no
translation yet is told, and a test fails until it has one. A new language begins with
``python -m platelink.web.catalogue fr``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract
from babel.messages.pofile import read_po, write_po

HERE = Path(__file__).parent
WAYS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("templates/*.html", "jinja2.ext:babel_extract", dict(DEFAULT_KEYWORDS)),
    ("static/*.js", "javascript", {"t": None, "nt": (1, 2), "N": None}),
    ("words.py", "python", {"N_": None}),
)
JINJA = {"extensions": "jinja2.ext.i18n", "trimmed": "true", "silent": "false"}


WRITTEN = datetime(2026, 1, 1, tzinfo=UTC)
"""In every header, so that writing a catalogue again changes nothing."""


class Found(NamedTuple):
    """One text and where it stands."""

    place: str
    line: int
    text: str | tuple[str, ...]


def texts() -> Iterator[Found]:
    """Every text that people see, in the order of the files."""
    for pattern, method, keywords in WAYS:
        for path in sorted(HERE.glob(pattern)):
            with path.open("rb") as file:
                options = JINJA if "jinja2" in method else {}
                found = extract(_method(method), file, keywords=keywords, options=options)
                for line, text, _, _ in found:
                    yield Found(str(path.relative_to(HERE)), line, text)


def _method(name: str) -> Any:
    if ":" not in name:
        return name
    module, function = name.split(":")
    return getattr(__import__(module, fromlist=[function]), function)


def template() -> Catalog:
    """A catalogue of every text without translations."""
    catalog = Catalog(project="platelink", fuzzy=False, charset="utf-8")
    for place, line, text in texts():
        catalog.add(text, locations=[(place, line)])
    return catalog


def read(path: Path) -> Catalog:
    """The catalogue of one language."""
    with path.open("rb") as file:
        return read_po(file, locale=path.stem)


def brought_up(path: Path, whole: Catalog) -> Catalog:
    """The catalogue with the present texts; one that is not there yet is begun."""
    catalog = read(path) if path.exists() else Catalog(locale=path.stem, project="platelink")
    catalog.update(whole, no_fuzzy_matching=True)
    catalog.obsolete.clear()
    catalog.fuzzy = False
    catalog.header_comment = f"# Texts of the page: {path.stem}."
    catalog.creation_date = catalog.revision_date = WRITTEN
    catalog.last_translator = catalog.language_team = catalog.msgid_bugs_address = ""
    return catalog


def write(path: Path, catalog: Catalog) -> None:
    """Without line numbers and dates: a diff shows what was translated, and nothing else."""
    with path.open("wb") as file:
        write_po(file, catalog, width=96, omit_header=False, include_lineno=False, sort_output=True)


def missing(catalog: Catalog) -> list[str]:
    """Texts without a translation, or with one that is not whole."""
    found = []
    for message in catalog:
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        if message.id and not all(forms):
            found.append(message.id if isinstance(message.id, str) else message.id[0])
    return found


def main(codes: list[str]) -> int:
    """Bring every catalogue up, and those of ``codes`` besides."""
    folder = HERE / "texts"
    whole = template()
    faults = 0
    for path in sorted({*folder.glob("*.po"), *(folder / f"{code}.po" for code in codes)}):
        catalog = brought_up(path, whole)
        write(path, catalog)
        for text in missing(catalog):
            faults += 1
            sys.stdout.write(f"{path.name}: no translation of: {text}\n")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
