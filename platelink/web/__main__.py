"""``python -m platelink.web``: the page, without all that reads a configuration.

``platelink page`` reads and checks, and then turns into this: less memory, and nothing of the
configuration in a process that strangers talk to. What it is told is JSON on standard input.
"""

from __future__ import annotations

import sys

import click
from pydantic import TypeAdapter

from platelink.memory import one_arena
from platelink.web.server import serve
from platelink.web.settings import Begin

if sys.stdin.isatty():
    sys.exit("this is started by: platelink page")
one_arena()
begin = TypeAdapter(Begin).validate_json(sys.stdin.read())
with begin.socket() as listener:
    serve(begin.settings, listener, lambda: click.echo(f"the page: {begin.address}"))
