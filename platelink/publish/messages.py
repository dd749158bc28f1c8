"""What is no entry of a journal: a unit's status, and what a recorder holds. Data only."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

from platelink.runs import EXACT, Count, Finite

LAST_WORD: Final = EXACT
"""``sequence`` of the last will: after everything of its own session, before any later session."""


class UnitStatus(BaseModel):
    """Retained. Order is (session, sequence): a reader keeps the highest it has seen, so that an
    old last will that arrives late cannot hide a newer 'online'."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    kind: Literal["status"] = "status"
    site: str
    unit: str
    session: int = Field(ge=1, le=EXACT)
    """Grows with every connection to the broker, also over restarts."""
    sequence: int = Field(ge=1, le=LAST_WORD)
    state: Literal["online", "offline"]
    at_utc: AwareDatetime
    """When the text was made; a last will carries the time of its connection."""
    pending: Count | None = None
    """Entries of the journal not yet acknowledged by the broker."""
    behind_s: Finite | None = None
    """Age of the oldest of them."""
    journal: str | None = None
    """The first part of the ids of its entries: another one after a journal was begun anew."""
    entries: Count | None = None
    """Number of the newest one."""
    renewed_s: Finite | None = None
    """While the unit is online a status comes at least this often; None where none is promised, as
    in a last will, or by a release that spoke only of what had changed."""
    detail: dict[str, JsonValue] = {}
    """What the daemon wants shown: state of the exposure, link ..."""

    def order(self) -> tuple[int, int]:
        return (self.session, self.sequence)


class HeldEntries(BaseModel):
    """Retained. What one recorder holds of a unit's entries: it will not lose them any more. A
    number that is missing below one that is there never came."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    kind: Literal["held"] = "held"
    site: str
    unit: str
    recorder: str
    group: str | None = None
    """Recorders of one group share the entries: what one of them holds is held."""
    at_utc: AwareDatetime
    journals: dict[str, tuple[tuple[Count, Count], ...]]
    """By journal (the first part of an entry's id) ranges of numbers: first, last; the lowest ones,
    where there are very many."""


class TookRevision(BaseModel):
    """The newest revision of a kind that a unit took."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    revision: int = Field(ge=1, le=EXACT)
    key: str
    """The key that signed it."""
    at_utc: AwareDatetime


class TookRefusal(BaseModel):
    """What a unit does not take at present."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    since_utc: AwareDatetime
    text: str


class Took(BaseModel):
    """Retained. What a unit took of the one place that sends recipes, people and calibrations, and
    what it refuses."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    kind: Literal["took"] = "took"
    site: str
    unit: str
    taken: dict[str, TookRevision]
    """By kind: recipes, people, calibrations."""
    refused: tuple[TookRefusal, ...]
