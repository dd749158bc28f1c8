"""The catalogues (.po) brought up to the texts of the page, with Babel's own tools.

``python -m platelink.web.catalogue`` writes new texts into every catalogue, to be translated there;
a test fails until they are. A new language begins with ``python -m platelink.web.catalogue fr``.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator
from contextlib import chdir
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import BinaryIO

from babel.messages.frontend import CommandLineInterface

HERE = Path(__file__).parent
TEXTS = HERE / "texts"
# Without line numbers and dates: a diff shows what was translated, and nothing else.
_EXTRACT = (
    "--mapping=web/texts/babel.cfg --keyword=t --keyword=nt:1,2 --keyword=N "
    "--add-location=file --sort-output"
)
_UPDATE = "--no-fuzzy-matching --ignore-obsolete --ignore-pot-creation-date --width=96"


def arguments(
    file: BinaryIO, _keywords: object, _tags: object, options: dict[str, str]
) -> Iterator[tuple[int, None, str, list[str]]]:
    """An extractor of Babel's: texts given as arguments of these ``names`` in each ``call``."""
    for node in ast.walk(ast.parse(file.read())):
        match node:
            case ast.Call(func=ast.Name(id=call), keywords=given) if call == options["call"]:
                for one in given:
                    if one.arg in options["names"].split():
                        yield one.lineno, None, ast.literal_eval(one.value), []


def bring_up(folder: Path, *codes: str) -> None:
    """Every catalogue of a folder, and those of ``codes`` besides."""
    run: Callable[[list[str]], object] = CommandLineInterface().run
    with TemporaryDirectory() as place, chdir(HERE.parent):
        found = f"{place}/texts.pot"
        run(["pybabel", "-q", "extract", *_EXTRACT.split(), "-o", found, "."])
        for path in sorted({*folder.glob("*.po"), *(folder / f"{code}.po" for code in codes)}):
            files = ["-i", found, "-o", str(path), "-l", path.stem]
            run(["pybabel", "-q", "update", *_UPDATE.split(), "--init-missing", *files])


if __name__ == "__main__":
    bring_up(TEXTS, *sys.argv[1:])
