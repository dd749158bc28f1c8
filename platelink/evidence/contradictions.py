"""Logs of seals that cannot be, in words, as they stand in the record. Pure."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

WHAT: Final = "log of seals"
"""What such an event is about."""
Kind = Literal["fork", "broken", "unproven", "smaller", "own"]


class Contradicted(NamedTuple):
    """What was shown and cannot be."""

    kind: Kind
    text: str


def fork(unit: str, size: int, day: str) -> Contradicted:
    """Two logs of one size under one key."""
    return Contradicted(
        "fork", f"{unit} showed a second log of {size} seals: another one was seen by {day}"
    )


def broken(unit: str, size: int, seen: int, day: str) -> Contradicted:
    """A wrong proof from the one that was seen."""
    return Contradicted(
        "broken",
        f"{unit} showed a log of {size} seals that does not go on from the {seen} seen on {day}",
    )


def unproven(unit: str, size: int, seen: int, day: str) -> Contradicted:
    """No proof from the one that was seen."""
    return Contradicted(
        "unproven",
        f"{unit} showed a log of {size} seals, and not how it goes on from the {seen} "
        f"seen on {day}",
    )


def smaller(unit: str, size: int, seen: int, day: str) -> Contradicted:
    """Fewer leaves than were seen."""
    return Contradicted(
        "smaller",
        f"{unit} showed a log of {size} seals after one of {seen} was seen on {day}: an old "
        "checkpoint, or seals were removed",
    )


def own(unit: str, size: int) -> Contradicted:
    """Another unit saw a log of this one that is not the one here."""
    return Contradicted(
        "own",
        f"{unit} saw a log of this unit of {size} seals, signed by its key, that is not the one "
        "here: it was cut, or the key is used elsewhere",
    )
