"""Blocks of documents that are run, and what they say is shown."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import NamedTuple


class Block(NamedTuple):
    """A fenced block after an HTML comment."""

    mark: str
    text: str


def blocks(text: str) -> list[Block]:
    """All that are marked, in order, also those within a list."""
    marked = r"^ *<!-- ([^>]+) -->\n *```\w*\n(.*?)^ *```$"
    found = re.findall(marked, text, re.DOTALL | re.MULTILINE)
    return [Block(mark, textwrap.dedent(block)) for mark, block in found]


def run_block(text: str, directory: Path) -> str:
    """What a shell shows of it; ``platelink`` is ours, its script is put into the directory."""
    ours = directory / "bin/platelink"
    ours.parent.mkdir(exist_ok=True)
    ours.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m platelink "$@"\n', "utf-8")
    ours.chmod(0o755)
    done = subprocess.run(
        ["sh", "-e"], input=text, env=os.environ | {"PATH": f"{ours.parent}:{os.defpath}"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{text}\n{done.stdout}{done.stderr}"
    return done.stdout


def not_shown(stated: str, shown: str) -> list[str]:
    """Stated lines that do not come in this order; ``…`` is anything within a line, and it does not
    matter how many spaces part two words."""
    came = iter(" ".join(line.split()) for line in shown.replace("\r", "\n").splitlines())
    missing = []
    for line in filter(str.strip, stated.splitlines()):
        parts = [re.escape(" ".join(part.split())) for part in line.split("…")]
        pattern = re.compile(r"\s*.*?\s*".join(parts))
        if not any(pattern.search(each) for each in came):
            missing.append(line)
    return missing
