"""Writes the table of rights into the page on people: ``python -m platelink.people.docs FILE``."""

from __future__ import annotations

import sys

from platelink.forms.written import between, part
from platelink.people.rights import table

BEGIN, END = "<!-- rights, generated -->\n", "<!-- end of rights -->\n"


def page(text: str) -> str:
    """The page with its table as it must be."""
    return between(text, BEGIN, END, table())


def main(arguments: list[str]) -> int:
    """Write the table into the page."""
    return part(arguments, "platelink.people.docs", page)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
