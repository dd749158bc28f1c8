"""Listens at the broker for what units say of themselves, under a session that leaves no trace."""

from __future__ import annotations

import secrets
import time
from dataclasses import replace

from platelink.backoff import Backoff
from platelink.fleet.view import FILTERS, Fleet
from platelink.publish.broker import (
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    Received,
    SubscriptionRefused,
)
from platelink.publish.links import link_to

RECEIVE_MAXIMUM = 200


class Watch:
    """``step`` again and again in one thread; ``fleet`` is what it heard."""

    def __init__(self, broker: BrokerSettings) -> None:
        self.fleet = Fleet()
        self.problem = "not connected to the broker yet"
        """Why nothing is heard; empty while everything is."""
        streams = broker.streams and replace(broker.streams, own=())  # it takes no entries
        self._broker = replace(broker, session_expiry_s=0, streams=streams)
        self._name = f"platelink-fleet-{secrets.token_hex(6)}"
        self._link: BrokerLink | None = None
        self._backoff = Backoff(0.5, 15.0)
        self._connect_at = time.monotonic()
        self.newest_at = float("-inf")
        """When the last message came, or the connection was made."""

    def step(self, timeout_s: float) -> None:
        """Connect where there is no connection, then hear what comes for so long."""
        if self._link is None and time.monotonic() >= self._connect_at:
            self._connect()
        if self._link is None:
            time.sleep(timeout_s)
            return
        link = self._link
        for event in link.poll(timeout_s):
            match event:
                case Connected():
                    self.problem = ""
                    self._backoff.succeeded()
                    link.subscribe(FILTERS)
                    self.newest_at = time.monotonic()
                    self.fleet.connected(now=self.newest_at)
                case ConnectionLost(reason) | SubscriptionRefused(reason):
                    self._lost(reason)
                case Received(topic, payload, retained=retained):
                    now, utc_s = time.monotonic(), time.time()
                    self.newest_at = now
                    self.fleet.hear(topic, payload, retained=retained, now=now, utc_s=utc_s)
                    if self._link is link:
                        link.acknowledge(event)

    def _connect(self) -> None:
        link = link_to(self._broker, client_id=self._name, receive_maximum=RECEIVE_MAXIMUM)
        try:
            link.connect()
        except BrokerError as fault:
            self._lost(str(fault))
        else:
            self._link = link

    def _lost(self, reason: str) -> None:
        self.close()
        self.problem = reason
        self.fleet.lost()
        self._connect_at = time.monotonic() + self._backoff.failed()

    def close(self) -> None:
        """Leave the broker."""
        if self._link is not None:
            self._link.close()
        self._link = None
