"""Which link a broker takes, and how one is held by who listens."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence

from platelink.backoff import Backoff
from platelink.extras import installing
from platelink.publish.broker import (
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    SubscriptionRefused,
    Will,
)
from platelink.publish.mqtt import MqttLink

RECEIVE_MAXIMUM = 200
"""Messages that the broker may send to a listener ahead of its acknowledgements."""


def link_to(
    settings: BrokerSettings, *, client_id: str, will: Will | None = None,
    receive_maximum: int = 20,
) -> BrokerLink:  # fmt: skip
    """The link of such a broker, with a session that is persistent under the fixed ``client_id``.
    Received messages are acknowledged only by ``acknowledge``; at most ``receive_maximum`` may be
    open. BrokerError where its client is not installed."""
    if settings.streams is None:
        return MqttLink(settings, client_id=client_id, will=will, receive_maximum=receive_maximum)
    try:
        from platelink.publish.jetstream import StreamLink  # noqa: PLC0415 -- an optional extra
    except ImportError as fault:
        raise BrokerError(
            f"the client of NATS is not installed; {installing('jetstream')}"
        ) from fault
    return StreamLink(settings, client_id=client_id, will=will, receive_maximum=receive_maximum)


class ListeningLink:
    """The link of who listens: made anew whenever it was lost, after pauses that grow."""

    def __init__(self, settings: BrokerSettings, client_id: str, filters: Sequence[str]) -> None:
        self._settings, self._client_id, self._filters = settings, client_id, filters
        self._link: BrokerLink | None = None
        self._backoff = Backoff(0.5, 15.0)
        self._connect_at = time.monotonic()
        self.up: BrokerLink | None = None
        """The link, while the broker has let it in."""
        self.problem = ""
        """Why there is none; empty while there is."""

    def poll(self, timeout_s: float) -> Iterator[LinkEvent]:
        """Connect where that is due, then each thing that happens within ``timeout_s``."""
        if self._link is None and time.monotonic() >= self._connect_at:
            self._connect()
        link = self._link
        if link is None:
            time.sleep(timeout_s)
            return
        for event in link.poll(timeout_s):
            match event:
                case Connected():
                    self.up, self.problem = link, ""
                    self._backoff.succeeded()
                    link.subscribe(self._filters)  # a resumed session may have others
                case ConnectionLost(reason) | SubscriptionRefused(reason):
                    self.lost(reason)
            yield event

    def acknowledge(self, *messages: Received) -> None:
        """They are kept here. What came by a link that is lost comes again by the next."""
        if self.up is not None:
            for message in messages:
                self.up.acknowledge(message)

    def lost(self, reason: str) -> None:
        """Leave, and connect again in a while."""
        self.close()
        self.problem = reason
        self._connect_at = time.monotonic() + self._backoff.failed()

    def close(self) -> None:
        """Leave the broker."""
        if self._link is not None:
            self._link.close()
        self._link = self.up = None

    def _connect(self) -> None:
        link = link_to(self._settings, client_id=self._client_id, receive_maximum=RECEIVE_MAXIMUM)
        try:
            link.connect()
        except BrokerError as fault:
            self.lost(str(fault))
        else:
            self._link = link
