"""PINs and passwords as they are typed: without echo, or from a file; never on a command line."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from platelink.cli.group import Misuse

_F = TypeVar("_F", bound=Callable[..., Any])
STANDARD_INPUT = "-"
MOST_BYTES = 4096
"""Of a file that is read as a secret: a larger one is another file."""


def secret_option(name: str = "--secret-file", help_: str = "") -> Callable[[_F], _F]:
    """``--secret-file`` of commands that need a PIN or password."""
    text = help_ or "Read the PIN or password from this file; - is standard input."
    return click.option(
        name, type=click.Path(path_type=Path, dir_okay=False, allow_dash=True), help=text
    )


def terminal() -> bool:
    """A person sits there."""
    return sys.stdin.isatty()


def asked_secret(
    what: str, file: Path | None, *, twice: bool = False, option: str = "--secret-file"
) -> str:
    """The secret of the file, else as a person types it; ``twice`` for a new one."""
    if file is not None:
        return _read(file, option)
    if not terminal():
        raise Misuse(f"{what}: there is no terminal to ask at; give {option} FILE, or {option} -")
    typed: str = click.prompt(what, hide_input=True, confirmation_prompt=twice, err=True)
    return typed


def _read(file: Path, option: str) -> str:
    """The first line. A newline at its end does not belong to the secret."""
    try:
        if str(file) == STANDARD_INPUT:
            line = sys.stdin.readline(MOST_BYTES)
        else:
            with file.open(encoding="utf-8") as opened:
                line = opened.readline(MOST_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        raise Misuse(f"{option} {file}: cannot be read: {error}") from None
    secret = line.rstrip("\r\n")
    if not secret:
        raise Misuse(f"{option} {file}: its first line is empty; put the PIN or password there")
    return secret
