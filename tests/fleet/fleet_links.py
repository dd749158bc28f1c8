"""A broker in one object: it gives each connection what stands in its list, event by event."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from platelink.publish.broker import BrokerError, Connected, LinkEvent, Received


class Script:
    """Connections are made by calling it; each takes the next list of events."""

    def __init__(self, *connections: Sequence[LinkEvent]) -> None:
        self.connections = deque(connections)
        self.made: list[Scripted] = []

    def __call__(self, settings: object, *, client_id: str, receive_maximum: int = 20) -> Scripted:
        if not self.connections:
            return Nowhere(client_id, [])
        self.made.append(Scripted(client_id, self.connections.popleft()))
        return self.made[-1]


class Scripted:
    """One connection."""

    def __init__(self, client_id: str, events: Sequence[LinkEvent]) -> None:
        self.client_id = client_id
        self.events = deque([Connected(False, 20), *events])
        self.filters: list[str] = []
        self.acknowledged: list[Received] = []
        self.published: list[tuple[str, bytes]] = []
        self.closed = False

    def connect(self) -> None:
        pass

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        return [self.events.popleft()] if self.events else []

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None,
        entry_id: str | None = None,
    ) -> int:  # fmt: skip
        self.published.append((topic, payload))
        return len(self.published)

    def subscribe(self, filters: Sequence[str]) -> None:
        self.filters += filters

    def acknowledge(self, message: Received) -> None:
        self.acknowledged.append(message)

    def close(self) -> None:
        self.closed = True


class Nowhere(Scripted):
    """No broker is there."""

    def connect(self) -> None:
        raise BrokerError("broker not reachable: check that it runs")
