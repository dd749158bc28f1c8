"""A language that nobody speaks, made of the catalogue: written from the right, a third longer.

It is Hebrew by name, so that browser and Babel lay it out from the right, and no text in it means
anything. ``python pseudo.py FOLDER ...`` is the command ``platelink`` with it.
"""

from __future__ import annotations

import os
import re
import runpy
import sys
from functools import partial
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from platelink.web import app
from platelink.web.catalogue import TEXTS
from platelink.web.texts import read_languages

CODE = "he"
LONGER = 3
"""A text is longer by its length over this."""
_PLACES = re.compile(r"(\{\w+\}|%\(\w+\)s|%%|platelink|docs/\S+)")
_LATIN = "abcdefghijklmnopqrstuvwxyz"
_LETTERS = "אבגדהוזחטיכלמנסעפצקרשתםןףץ"
_TABLE = str.maketrans(_LATIN + _LATIN.upper(), _LETTERS * 2)


def pseudo(text: str) -> str:
    """Every letter another one's, with places to fill as they were."""
    parts = _PLACES.split(text)
    turned = "".join(part if n % 2 else part.translate(_TABLE) for n, part in enumerate(parts))
    more = "".join(part for n, part in enumerate(parts) if not n % 2).strip()
    return f"{turned}{more[: len(text) // LONGER].translate(_TABLE)}"


def write_catalogue(folder: Path) -> Path:
    """``folder`` with this one language."""
    with (TEXTS / "de.po").open("rb") as file:
        found = read_po(file, locale="de")
    made = Catalog(locale=CODE)
    for message in found:
        if message.id:
            ids = (message.id,) if isinstance(message.id, str) else message.id
            forms = tuple(pseudo(ids[min(n, len(ids) - 1)]) for n in range(made.num_plurals))
            text = forms if len(ids) > 1 else forms[0]
            made.add(message.id, text, message.locations, message.flags)
    folder.mkdir(exist_ok=True)
    with (folder / f"{CODE}.po").open("wb") as file:
        write_po(file, made)
    return folder


if __name__ == "__main__":
    folder, command = sys.argv.pop(1), [sys.executable, __file__]
    if sys.argv[1:] == ["page"]:  # what the command becomes
        app.read_languages = partial(read_languages, Path(folder))
        runpy.run_module("platelink.web", run_name="__main__")
    else:
        from platelink.cli import main, page

        page.own_module = lambda _: ([*command, folder, "page"], dict(os.environ))
        main()
