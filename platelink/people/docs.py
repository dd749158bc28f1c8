"""Writes the table of rights into the page on people: ``python -m platelink.people.docs FILE``."""

from __future__ import annotations

import sys
from pathlib import Path

from platelink.people.rights import table

BEGIN, END = "<!-- rights, generated -->\n", "<!-- end of rights -->\n"


def page(text: str) -> str:
    """The page with its table as it must be."""
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{table()}\n{END}{rest.partition(END)[2]}"


def main(arguments: list[str]) -> int:
    """Write the table into the page."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m platelink.people.docs FILE\n")
        return 2
    path = Path(arguments[0])
    path.write_text(page(path.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
