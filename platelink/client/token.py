"""The sign-in of this user of the computer, kept between commands."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

VARIABLE = "PLATELINK_TOKEN"
"""Environment variable that names another token, for programs."""


def place_of(socket: Path) -> Path:
    """Where the token for the unit with this socket is kept; its user alone may read it."""
    state = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    name = hashlib.sha256(str(socket.absolute()).encode()).hexdigest()[:16]
    return Path(state) / "platelink" / f"{name}.token"


def saved_token(socket: Path) -> str | None:
    """The token given by the environment, else the one kept; None where there is none."""
    given = os.environ.get(VARIABLE)
    if given:
        return given
    try:
        return place_of(socket).read_text("ascii").strip() or None
    except (OSError, UnicodeDecodeError, RuntimeError):
        return None


def save_token(socket: Path, token: str) -> None:
    """Keep a token for later commands; OSError when that cannot be."""
    place = place_of(socket)
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with open(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
        file.write(token + "\n")


def forget_token(socket: Path) -> None:
    """Forget the token kept."""
    place_of(socket).unlink(missing_ok=True)
