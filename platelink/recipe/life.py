"""The life of a revision: draft, approved, retired; and which is the present one. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class State(StrEnum):
    """State of a revision."""

    DRAFT = "draft"
    APPROVED = "approved"
    RETIRED = "retired"


MOVES: dict[State, frozenset[State]] = {
    State.DRAFT: frozenset({State.APPROVED, State.RETIRED}),
    State.APPROVED: frozenset({State.RETIRED}),
    State.RETIRED: frozenset(),
}


@dataclass(frozen=True, slots=True)
class Signed:
    """Who brought a revision into a state, why and when."""

    state: State
    who: str
    why: str
    at_utc: datetime


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of a recipe without its content, which never changes."""

    recipe: str
    number: int
    content_hash: str
    life: tuple[Signed, ...]
    """From draft on, oldest first."""

    @property
    def state(self) -> State:
        """Its state now."""
        return self.life[-1].state

    @property
    def name(self) -> str:
        """``plate-a@3``."""
        return f"{self.recipe}@{self.number}"


def refusal(revision: Revision, to: State) -> str | None:
    """Why a revision cannot be brought into a state; None when it can."""
    if to in MOVES[revision.state]:
        return None
    last = revision.life[-1]
    now = f"{revision.name} is {last.state} since {last.at_utc:%Y-%m-%d %H:%M} UTC, by {last.who}"
    if revision.state is State.RETIRED:
        return (
            f"{now}; a retired revision stays so: to use it again, add its content as a new "
            "revision"
        )
    return f"{now}; it cannot be {to}"


def superseded(revisions: Sequence[Revision], by: Revision) -> tuple[Revision, ...]:
    """The revisions that retire when ``by`` is approved: one revision of a recipe is approved."""
    return tuple(r for r in revisions if r.state is State.APPROVED and r.number != by.number)


def present(revisions: Sequence[Revision]) -> Revision | None:
    """The revision that is meant when none is named: the approved one, else the newest draft, else
    the newest."""
    for state in (State.APPROVED, State.DRAFT, State.RETIRED):
        found = [r for r in revisions if r.state is state]
        if found:
            return max(found, key=lambda r: r.number)
    return None
