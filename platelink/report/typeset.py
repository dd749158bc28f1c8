"""Sheets and labels as PDF/A-3b (ISO 19005-3). The only import of typst.

Roboto is set by default, so that the same sheet gives the same bytes on every computer; where it,
and what typst brings along, lack a character, the fonts of this computer are looked at; what none
of them has is written as its number.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import font_roboto
import typst

from platelink.report.qr import code_svg
from platelink.report.sheet import Sheet

_LACKS = re.compile(r'the text `"(.+)"` could not be displayed', re.DOTALL)
_FONTS = [str(Path(font_roboto.__file__).parent / "files")]
_KINDS = {
    ".json": "application/json", ".txt": "text/plain", ".pem": "application/x-pem-file",
}  # fmt: skip
_WIDTHS = {
    "Steps": (16, 8, 9, 14, 18, 9, 20, 13, 13), "Result": (16, 8, 9, 14, 18, 9, 20, 13, 13),
    "By hand": (20, 12, 12, 14, 10, 18), "Inspection": (22, 18, 40, 10),
    "Alarms meanwhile": (9, 22, 9, 16, 13, 13, 24), "Marks on the curves": (3, 9, 90),
    "After its end": (18, 18, 70), "Who": (25, 80), "Calibration": (14, 18, 30, 12, 12, 16),
}  # fmt: skip
"""Shares of the width that the columns of a table have."""


def pdf_of(sheet: Sheet, attached: Mapping[str, bytes], at_utc: datetime) -> bytes:
    """One page, with these files in it: UTF-8 texts by name."""
    told = asdict(sheet)
    told["code"] = code_svg(sheet.code)
    for table in told["tables"]:
        table["widths"] = _WIDTHS.get(table["title"])
    told["attached"] = [
        {
            "path": name, "data": data.decode(), "description": f"{name} as it was sealed",
            "relationship": "data" if name == "record.json" else "supplement",
            "mime": _KINDS.get(Path(name).suffix, "text/plain"),
        }
        for name, data in attached.items()
    ]  # fmt: skip
    return _set("report.typ", told, at_utc)


def label_of(title: str, lines: Sequence[str], code: str, at_utc: datetime) -> bytes:
    """A label whose code says ``code``."""
    return _set("label.typ", {"title": title, "lines": lines, "code": code_svg(code)}, at_utc)


def _set(template: str, told: dict[str, Any], at_utc: datetime) -> bytes:
    told["date"] = {
        "year": at_utc.year, "month": at_utc.month, "day": at_utc.day, "hour": at_utc.hour,
        "minute": at_utc.minute, "second": at_utc.second,
    }  # fmt: skip
    source = files("platelink.report").joinpath("templates", template).read_bytes()
    try:
        return _compiled(source, told, at_utc, system=False)
    except typst.TypstError as error:
        if not _LACKS.search(str(error)):
            raise
    compiler = _compiler(system=True)
    lacking = {c for c in _characters(told) if not _shows(compiler, c)}
    while True:
        try:
            return _compiled(source, _spelled(told, lacking), at_utc, system=True)
        except typst.TypstError as error:  # what is lacking in its place only, as a mark above
            found = _LACKS.search(str(error))
            more = set(_unescaped(found[1])) - lacking if found else set()
            if not more:
                raise
            lacking |= more


def _compiler(*, system: bool) -> typst.Compiler:
    fonts = typst.Fonts(include_system_fonts=system, font_paths=_FONTS)
    return typst.Compiler(b"", font_paths=fonts)


def _compiled(source: bytes, told: dict[str, Any], at_utc: datetime, *, system: bool) -> bytes:
    found = _compiler(system=system).compile(
        source, format="pdf", pdf_standards="a-3b", timestamp=int(at_utc.timestamp()),
        sys_inputs={"told": json.dumps(told, ensure_ascii=False)},
    )  # fmt: skip
    assert isinstance(found, bytes)  # one file
    return found


# --- characters that no font has ---------------------------------------------------------------


def _characters(told: Any) -> set[str]:
    """All that is to be set; files and drawings aside."""
    match told:
        case str():
            return set(told)
        case dict():
            return set().union(
                *(_characters(v) for k, v in told.items() if k not in ("attached", "svg", "code"))
            )
        case list() | tuple():
            return set().union(*map(_characters, told))
    return set()


def _shows(compiler: typst.Compiler, character: str) -> bool:
    if character.isascii() or unicodedata.combining(character):
        return True
    line = f'#set text(font: "Roboto")\n#"{character}"'
    try:
        compiler.compile(line.encode(), format="pdf", pdf_standards="a-3b")
    except typst.TypstError:
        return False
    return True


def _unescaped(text: str) -> str:
    """The text of an error of typst, which writes what is not to be seen by its number."""
    return re.sub(r"\\u\{([0-9a-f]+)\}", lambda found: chr(int(found[1], 16)), text)


def _spelled(told: Any, lacking: set[str]) -> Any:
    match told:
        case str() if lacking.intersection(told):
            return "".join(f"[U+{ord(c):04X}]" if c in lacking else c for c in told)
        case dict():
            kept = ("attached", "svg", "code")
            return {k: v if k in kept else _spelled(v, lacking) for k, v in told.items()}
        case list() | tuple():
            return [_spelled(inner, lacking) for inner in told]
    return told
