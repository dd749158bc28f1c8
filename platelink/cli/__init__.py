"""The command line. Importing it costs nothing but click: every command is imported when used."""

from platelink.cli.group import main

__all__ = ["main"]
