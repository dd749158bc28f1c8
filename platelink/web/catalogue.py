"""The catalogues (.po) brought up to the texts of the page, with Babel's own tools.

``python -m platelink.web.catalogue`` writes new texts into every catalogue, to be translated there;
a test fails until they are. A new language begins with ``python -m platelink.web.catalogue fr``.
"""

from __future__ import annotations

import ast
import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import BinaryIO

from babel.messages.frontend import CommandLineInterface

from platelink.web.sentences import CONTEXT, EDGES, places

HERE = Path(__file__).parent
TEXTS = HERE / "texts"
# Without line numbers and dates: a diff shows what was translated, and nothing else.
_EXTRACT = (
    "--mapping=web/texts/babel.cfg --keyword=t --keyword=nt:1,2 --keyword=N "
    "--add-location=file --sort-output"
)
_HEAD = """# Texts of the page: {code}.
msgid ""
msgstr ""
"Project-Id-Version: platelink VERSION\\n"
"POT-Creation-Date: 2026-01-01 00:00+0000\\n"
"PO-Revision-Date: 2026-01-01 00:00+0000\\n"
"Language: {code}\\n"
{plurals}
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n\""""
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


def members(
    file: BinaryIO, _keywords: object, _tags: object, options: object
) -> Iterator[tuple[int, None, str, list[str]]]:
    """An extractor of Babel's: the values of every StrEnum."""
    for node in ast.walk(ast.parse(file.read())):
        match node:
            case ast.ClassDef(bases=[ast.Name(id="StrEnum")], body=body):
                for each in body:
                    if isinstance(each, ast.Assign):
                        yield each.lineno, None, ast.literal_eval(each.value), []


_QUERY = re.compile(r"^(?:SELECT|INSERT|UPDATE|DELETE|CREATE|ALTER)\b|= \?|^\w+(?:, \w+){4,}$")
_WORD = re.compile(r"[^\W\d_]{2}")


def sentences(
    file: BinaryIO, _keywords: object, _tags: object, options: dict[str, str]
) -> Iterator[tuple[int, str, tuple[str, str], list[str]]]:
    """An extractor of Babel's: sentences of more than one word, f-strings with their places. Not
    those of documentation and classes, no queries, and what is raised only where ``raised``."""
    tree = ast.parse(file.read())
    passed = set(_passed_over(tree, raised="raised" in options))
    for node in ast.walk(tree):
        if node not in passed and (text := _sentence_of(node)) and " " in text:
            yield node.lineno, "pgettext", (CONTEXT, text), []  # type: ignore[attr-defined]


def _passed_over(tree: ast.AST, *, raised: bool) -> Iterator[ast.AST]:
    for node in ast.walk(tree):
        match node:
            case ast.Expr(value=ast.Constant()):
                yield node.value
            case ast.Raise() if not raised:
                yield from ast.walk(node)
            case ast.Assert():
                yield from ast.walk(node)
            case ast.ClassDef(body=body):
                for each in body:
                    if isinstance(each, ast.Assign | ast.AnnAssign):
                        yield from ast.walk(each)
            case ast.JoinedStr(values=values):
                yield from (each for each in values if isinstance(each, ast.Constant))
            case ast.FormattedValue(format_spec=ast.JoinedStr() as form):
                yield from ast.walk(form)


def _sentence_of(node: ast.AST) -> str | None:
    match node:
        case ast.Constant(value=str() as text):
            found = text
        case ast.JoinedStr(values=values):
            found, names = "", Counter[str]()
            for each in values:
                if isinstance(each, ast.FormattedValue):
                    form = each.format_spec
                    name = _name_of(each.value)
                    names[name] += 1
                    name += f"_{names[name]}" if names[name] > 1 else ""
                    found += f"{{{name}:{ast.unparse(form)[2:-1]}}}" if form else f"{{{name}}}"
                else:
                    found += str(each.value).replace("{", "{{").replace("}", "}}")  # type: ignore[attr-defined]
        case _:
            return None
    words = "".join(words for words, _, _ in places(found))
    return found.strip(EDGES) if _WORD.search(words) and not _QUERY.search(found) else None


def _name_of(value: ast.expr) -> str:
    """Of what stands in a place: the outermost name in it that says something."""
    names = [each for each in ast.walk(value) if isinstance(each, ast.Name | ast.Attribute)]
    found = [each.id if isinstance(each, ast.Name) else each.attr for each in names]
    own = [name.strip("_") for name in found if name not in ("self", "abs", "max", "min", "str")]
    return own[0].lower() if own else "text"


def bring_up(folder: Path, *codes: str) -> None:
    """Every catalogue of a folder, and those of ``codes`` besides."""
    run: Callable[[list[str]], object] = CommandLineInterface().run
    with TemporaryDirectory() as place, chdir(HERE.parent):
        found = f"{place}/texts.pot"
        run(["pybabel", "-q", "extract", *_EXTRACT.split(), "-o", found, "."])
        for path in sorted({*folder.glob("*.po"), *(folder / f"{code}.po" for code in codes)}):
            files = ["-i", found, "-o", str(path), "-l", path.stem]
            begun = not path.exists()
            run(["pybabel", "-q", "update", *_UPDATE.split(), "--init-missing", *files])
            if begun:
                _head(path)


def _head(path: Path) -> None:
    """Babel's head of a new catalogue names a project, people and days that are not ours."""
    text = path.read_text("utf-8")
    head, rest = text.split("\n\n", 1)
    plurals = next(line for line in head.splitlines() if line.startswith('"Plural-Forms'))
    path.write_text(_HEAD.format(code=path.stem, plurals=plurals) + "\n\n" + rest, "utf-8")


if __name__ == "__main__":
    bring_up(TEXTS, *sys.argv[1:])
