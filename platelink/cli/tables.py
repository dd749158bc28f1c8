"""Tables and times as text for a terminal."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

GAP = "  "
NO_TERMINAL = 1_000_000
"""Width of a pipe or a file: nothing is cut there."""


class Column(NamedTuple):
    """One column. Where the width is short, columns are cut down to ``least`` characters, the last
    one first, then left out by descending ``spare``; 0 is never left out."""

    head: str
    right: bool = False
    least: int = 0
    """0: never cut."""
    spare: int = 0


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> str:
    """Head and rows as lines of at most ``width`` characters, where the columns can be cut so far.

    A column whose every cell is empty is left out."""
    kept = [i for i in range(len(columns)) if any(row[i] for row in rows)]
    sizes = {i: max(len(columns[i].head), *(len(row[i]) for row in rows)) for i in kept}
    for i in reversed(kept):
        if columns[i].least:
            over = _total(sizes) - width
            sizes[i] = min(sizes[i], max(columns[i].least, sizes[i] - max(0, over)))
    for i in sorted(kept, key=lambda i: -columns[i].spare):
        if _total(sizes) > width and columns[i].spare:
            del sizes[i]
    lines = [[column.head for column in columns], *rows]
    return "\n".join(
        GAP.join(_cell(line[i], sizes[i], columns[i].right) for i in sizes).rstrip()
        for line in lines
    )


def _total(sizes: dict[int, int]) -> int:
    return sum(sizes.values()) + len(GAP) * (len(sizes) - 1)


def _cell(text: str, size: int, right: bool) -> str:
    if len(text) > size:
        text = text[: size - 1] + "…"
    return text.rjust(size) if right else text.ljust(size)


def pairs(rows: Sequence[tuple[str, str]], *, indent: str = "  ", least: int = 0) -> str:
    """Lines of what it is and its value."""
    widest = max((len(label) for label, _ in rows), default=0)
    return "\n".join(f"{indent}{label.ljust(max(widest, least))}  {text}" for label, text in rows)


def terminal_width() -> int:
    """Characters in a line of the terminal; of a pipe, none is too many."""
    if sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit():
        return max(30, shutil.get_terminal_size().columns)
    return NO_TERMINAL


def plot_width() -> int:
    """Characters in a line of a plot."""
    return min(120, terminal_width()) if terminal_width() < NO_TERMINAL else 80


def only_ascii() -> bool:
    """True where standard output cannot show the dots of a plot."""
    try:
        "⠿│".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def local(at_utc: datetime, *, seconds: bool = True) -> str:
    """A time in this computer's time zone."""
    return f"{at_utc.astimezone():%Y-%m-%d %H:%M{':%S' if seconds else ''}}"


def local_with_zone(at_utc: datetime) -> str:
    """A time in this computer's time zone, which is said with it."""
    return at_utc.astimezone().isoformat(sep=" ", timespec="seconds")
