"""What a publisher is told, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass, field

from platelink.publish.broker import BrokerSettings
from platelink.publish.outbox import OutboxSettings, OutboxState


@dataclass(frozen=True, slots=True)
class PublisherSettings:
    broker: BrokerSettings
    site: str
    unit: str
    hold_without_subscriber: bool = True
    """Wait until somebody is subscribed, since the broker keeps nothing for nobody."""
    outbox: OutboxSettings = field(default_factory=OutboxSettings)

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
