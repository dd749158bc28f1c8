"""Listens at the broker for what units say of themselves, under a session that leaves no trace."""

from __future__ import annotations

import secrets
import time
from dataclasses import replace

from platelink.fleet.view import FILTERS, Fleet
from platelink.publish.broker import (
    BrokerSettings,
    Connected,
    ConnectionLost,
    Received,
    SubscriptionRefused,
)
from platelink.publish.links import ListeningLink


class Watch:
    """``step`` again and again in one thread; ``fleet`` is what it heard."""

    def __init__(self, broker: BrokerSettings) -> None:
        self.fleet = Fleet()
        streams = broker.streams and replace(broker.streams, own=())  # it takes no entries
        broker = replace(broker, session_expiry_s=0, streams=streams)
        self._link = ListeningLink(broker, f"platelink-fleet-{secrets.token_hex(6)}", FILTERS)
        self._link.problem = "not connected to the broker yet"
        self.newest_at = float("-inf")
        """When the last message came, or the connection was made."""

    @property
    def problem(self) -> str:
        """Why nothing is heard; empty while everything is."""
        return self._link.problem

    def step(self, timeout_s: float) -> None:
        """Connect where there is no connection, then hear what comes for so long."""
        for event in self._link.poll(timeout_s):
            match event:
                case Connected():
                    self.newest_at = time.monotonic()
                    self.fleet.connected(now=self.newest_at)
                case ConnectionLost() | SubscriptionRefused():
                    self.fleet.lost()
                case Received(topic, payload, retained=retained):
                    now, utc_s = time.monotonic(), time.time()
                    self.newest_at = now
                    self.fleet.hear(topic, payload, retained=retained, now=now, utc_s=utc_s)
                    self._link.acknowledge(event)

    def close(self) -> None:
        """Leave the broker."""
        self._link.close()
