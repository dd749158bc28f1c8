"""The one message that is not an entry of the journal: the retained status of a unit."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

LAST_WORD: Final = 2**53 - 1
"""``sequence`` of the last will: after everything of its own session, before any later session."""


class UnitStatus(BaseModel):
    """Retained. Order is (session, sequence): a reader keeps the highest it has seen, so that an
    old last will that arrives late cannot hide a newer 'online'."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    kind: Literal["status"] = "status"
    site: str
    unit: str
    session: int = Field(ge=1)
    """Grows with every connection to the broker, also over restarts."""
    sequence: int = Field(ge=1, le=LAST_WORD)
    state: Literal["online", "offline"]
    at_utc: AwareDatetime
    """When the text was made; a last will carries the time of its connection."""
    pending: int | None = Field(default=None, ge=0)
    """Entries of the journal not yet acknowledged by the broker."""
    detail: dict[str, JsonValue] = {}
    """What the daemon wants shown: state of the exposure, link ..."""

    def order(self) -> tuple[int, int]:
        return (self.session, self.sequence)
