"""A module of ours as a program of its own, from wherever this one was started."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def own_module(name: str) -> tuple[list[str], dict[str, str]]:
    """Its command and its environment."""
    home, inherited = str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH")
    paths = os.pathsep.join([home, *([inherited] if inherited else [])])
    # -P: never import from the directory that we happen to be started in.
    return [sys.executable, "-P", "-m", name], {**os.environ, "PYTHONPATH": paths}
