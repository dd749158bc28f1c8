"""Who is asking. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.contract.words import Role


@dataclass(frozen=True, slots=True)
class Who:
    """A person who signed in, or a program on this computer while nobody can."""

    name: str
    role: Role
    token: str | None = None
    """Of their sign-in; None for a program on this computer."""
