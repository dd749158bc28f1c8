"""Tables and times as text for a terminal."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import NamedTuple

import click

from platelink.cli.quantities import clean

GAP = "  "
NO_TERMINAL = 1_000_000
"""Width of a pipe or a file: nothing is cut there."""


class Column(NamedTuple):
    """One column. Where the line is short it is cut down to ``least`` characters (0: never), or
    left out: columns of high ``spare`` first, those of 0 never."""

    head: str
    right: bool = False
    least: int = 0
    spare: int = 0


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> str:
    """Head and rows as lines of at most ``width`` characters, as far as the columns allow; columns
    left out are named below. A column whose every cell is empty is not missed."""
    sizes = _sizes(columns, rows, width)
    lines = [[column.head for column in columns], *rows]
    text = "\n".join(
        GAP.join(_cell(line[i], sizes[i], columns[i].right) for i in sorted(sizes)).rstrip()
        for line in lines
    )
    hidden = [
        column.head
        for i, column in enumerate(columns)
        if i not in sizes and any(row[i] for row in rows)
    ]
    if not hidden:
        return text
    note = f"not shown: {', '.join(hidden)}; widen the terminal, or use --json"
    return "\n".join([text, *textwrap.wrap(note, width)])


def _sizes(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> dict[int, int]:
    """The columns that have room, each with its width."""
    sizes: dict[int, int] = {}
    for i in sorted(range(len(columns)), key=lambda i: columns[i].spare):
        column = columns[i]
        left = width - _total(sizes) - (len(GAP) if sizes else 0)
        size = max(len(column.head), *(len(row[i]) for row in rows))
        if size > left and column.least > 0:
            size = max(column.least, left)
        if any(row[i] for row in rows) and (size <= left or not column.spare):
            sizes[i] = size
    return sizes


def print_table(columns: Sequence[Column], rows: Sequence[Sequence[str]], none: str = "") -> None:
    """Print rows of typed text as they fit the terminal, or ``none`` where there are none."""
    cells = [[clean(cell) for cell in row] for row in rows]
    click.echo(table(columns, cells, terminal_width()) if rows else none)


def _total(sizes: dict[int, int]) -> int:
    return sum(sizes.values()) + len(GAP) * max(0, len(sizes) - 1)


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


def local(at_utc: datetime | str | None, *, seconds: bool = True) -> str:
    """A time in this computer's time zone; nothing for none."""
    if at_utc is None:
        return ""
    at = datetime.fromisoformat(at_utc) if isinstance(at_utc, str) else at_utc
    with suppress(OverflowError):  # of the years 1 and 9999 a zone may have no such day
        at = at.astimezone()
    return f"{at:%Y-%m-%d %H:%M{':%S' if seconds else ''}}"


def local_with_zone(at_utc: datetime) -> str:
    """A time in this computer's time zone, which is said with it."""
    return at_utc.astimezone().isoformat(sep=" ", timespec="seconds")
