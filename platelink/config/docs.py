"""Writes the reference of the configuration: ``python -m platelink.config.docs [--check] FILE``."""

from __future__ import annotations

import sys

from platelink.config.model import Config
from platelink.forms.tables import key_table
from platelink.forms.written import whole

_INTRO = """\
# Configuration

One TOML file configures a unit; platelink never writes it. Unknown keys are refused, and
`platelink config check` lists every problem at once. The settings in force, defaults
included, are shown by `platelink config show`.

Values whose type reads *number or text* take a number in the unit of the column, or a text with a
unit such as `"60 kPa"`. Relative paths are relative to the file. The first line of a file is
`format = 1`; another number means that keys have changed their meaning.

This page is generated from the models: `python -m platelink.config.docs docs/configuration.md`.

"""


def page() -> str:
    """The whole page as Markdown."""
    return _INTRO + key_table(Config, heading="## Above all sections")


def main(arguments: list[str]) -> int:
    """Write the page, or with ``--check`` compare it; 1 when it is not current."""
    return whole(arguments, "platelink.config.docs", page)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
