"""Documents that are generated from the models: written, or held against the file."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path


def whole(arguments: list[str], module: str, text: Callable[[], str]) -> int:
    """``python -m module [--check] FILE``: write the file, or compare it; 1 when it is not current,
    2 when asked wrongly."""
    check = "--check" in arguments
    files = [a for a in arguments if a != "--check"]
    if len(files) != 1:
        sys.stderr.write(f"usage: python -m {module} [--check] FILE\n")
        return 2
    path = Path(files[0])
    if not check:
        path.write_text(text(), encoding="utf-8")
        return 0
    if path.is_file() and path.read_text(encoding="utf-8") == text():
        return 0
    sys.stderr.write(f"{path} is not current; run: python -m {module} {path}\n")
    return 1


def between(page: str, begin: str, end: str, text: str) -> str:
    """The page with ``text`` between its two marks, each a line of its own."""
    before, _, rest = page.partition(begin)
    return f"{before}{begin}\n{text}\n{end}{rest.partition(end)[2]}"


def part(arguments: list[str], module: str, page: Callable[[str], str]) -> int:
    """``python -m module FILE``: write the generated part of the file; 2 when asked wrongly."""
    if len(arguments) != 1:
        sys.stderr.write(f"usage: python -m {module} FILE\n")
        return 2
    path = Path(arguments[0])
    path.write_text(page(path.read_text(encoding="utf-8")), encoding="utf-8")
    return 0
