"""How an optional part is installed: the project is on no index."""

from __future__ import annotations

import sys


def installing(extra: str) -> str:
    """From the project's own folder, into the environment that this runs in."""
    return (
        "in the checkout or the unpacked release: "
        f"{sys.executable} -m pip install -c deploy/constraints.txt '.[{extra}]'"
    )
