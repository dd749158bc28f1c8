"""What a TOML text may be, looked at before it is parsed. Pure.

Parsers take memory by the square of a key's parts, and recurse as deep as a text nests.
"""

from __future__ import annotations

import re

TEXT_BYTES = 64 << 10
"""Of a whole text; a long recipe is some five kilobytes."""
KEY_PARTS = 8
DEPTH = 16
"""Of lists and tables within each other."""
WORD = 128
"""Characters of a bare key, a number or a date."""
DIGITS = 40

_TOKENS = re.compile(
    r"(?P<comment>#[^\n]*)"
    # A string ends as the parser ends it. One without an end is a stray quote: the parser gets
    # no farther than that.
    r"|(?P<string>\"{3}(?:[^\\]|\\.)*?\"{3,5}|'{3}.*?'{3,5}"
    r"|\"(?!\"\")(?:[^\"\\\n]|\\[^\n])*\"|'(?!'')[^'\n]*')"
    r"|(?P<word>[A-Za-z0-9_+-]+)"
    r"|(?P<dot>\.)"
    r"|(?P<opens>[\[{])|(?P<closes>[\]}])"
    r"|(?P<blank>[ \t\r]+)"
    r"|(?P<stray>[\"'])"
    r"|(?P<other>.)",
    re.DOTALL,
)
_DIGIT = re.compile(r"[0-9]")


def too_long(size: str) -> str:
    """What to say of a text that is too long."""
    return f"is {size} bytes long, at most {TEXT_BYTES} are read; remove what does not belong"


def over(text: str) -> str | None:
    """The first limit that a text is over, and what to do; None when it may be parsed. Takes time
    and memory by its length."""
    size = len(text.encode("utf-8", "surrogatepass"))
    if size > TEXT_BYTES:
        return too_long(str(size))
    line, parts, depth, joined = 1, 0, 0, False
    for token in _TOKENS.finditer(text):
        kind, found = token.lastgroup, token.group()
        if kind == "stray":
            return None
        line += found.count("\n")
        if kind == "blank":
            continue
        if kind in ("word", "string"):
            parts = parts + 1 if joined else 1
            joined = False
        elif kind == "dot":
            joined = True
        else:
            parts, joined = 0, False
            depth = max(0, depth + (kind == "opens") - (kind == "closes"))
        fault = _fault(kind, found, parts, depth)
        if fault:
            return f"cannot be read, line {line}: {fault}"
    return None


def _fault(kind: str | None, found: str, parts: int, depth: int) -> str:
    if parts > KEY_PARTS:
        return f"a key has more than {KEY_PARTS} parts joined by dots; write fewer"
    if depth > DEPTH:
        return f"lists or tables are more than {DEPTH} deep in each other; write them flatter"
    if kind == "word" and len(found) > WORD:
        return f"a key or number has {len(found)} characters, at most {WORD} are read; shorten it"
    if kind == "word" and len(_DIGIT.findall(found)) > DIGITS and not found[0].isalpha():
        return f"a number has more than {DIGITS} digits; round it"
    return ""
