"""What a publisher is told, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from pydantic import JsonValue

from platelink.publish.broker import BrokerSettings
from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.publish.outbox import OutboxSettings, OutboxState

RENEW_S = 20.0
"""The retained status is sent again so often although nothing has changed: a broker that was killed
knows nothing of who was connected, and whoever looks must tell a quiet unit from one that is
gone."""


@dataclass(frozen=True, slots=True)
class PublisherSettings:
    broker: BrokerSettings
    site: str
    unit: str
    hold_without_subscriber: bool = True
    """Wait until somebody is subscribed, since the broker keeps nothing for nobody."""
    outbox: OutboxSettings = field(default_factory=OutboxSettings)
    blocks: bool = False
    """Samples as blocks of the journal's codec instead of JSON."""

    @property
    def client_id(self) -> str:
        return f"platelink-{self.site}-{self.unit}"


@dataclass(frozen=True, slots=True)
class PublisherStatus:
    """What a page or ``doctor`` shows. ``problem`` is empty while everything flows."""

    running: bool = False
    connected: bool = False
    state: str = OutboxState.WAITING.value
    pending: int = 0
    """Entries of the journal that the broker has not acknowledged."""
    lag_s: float = 0.0
    """Age of the oldest of them."""
    in_flight: int = 0
    cursor: int = 0
    """Last entry acknowledged with all before it."""
    acknowledged: int = 0
    """Entries acknowledged since the start of this process."""
    sent_again: int = 0
    """Entries that a recorder lacked although the broker had acknowledged them."""
    connections: int = 0
    problem: str = ""
    notice: str = ""
    journal: str = ""
    """The first part of its entries' ids; empty while it has none."""
    entries: int = 0
    """Number of the newest one."""


def status_text(
    settings: PublisherSettings, status: PublisherStatus, state: Literal["online", "offline"], *,
    order: tuple[int, int], at_utc: datetime, detail: dict[str, JsonValue],
) -> bytes:  # fmt: skip
    """The retained status; of a last will only what will still be so."""
    session, sequence = order
    last = sequence == LAST_WORD
    message = UnitStatus(
        site=settings.site,
        unit=settings.unit,
        session=session,
        sequence=sequence,
        state=state,
        at_utc=at_utc,
        pending=None if last else status.pending,
        behind_s=None if last else round(status.lag_s, 3),
        journal=status.journal or None,
        entries=None if last else status.entries,
        renewed_s=None if last or state == "offline" else RENEW_S,
        detail=detail,
    )
    return message.model_dump_json().encode()
