"""What a connection to the broker takes and tells, whichever broker it is.

MQTT 5 (``mqtt``), or NATS JetStream where the settings name its streams (``jetstream``). Both speak
in MQTT's topics and reason codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, Protocol

NO_SUBSCRIBERS = 0x10
"""PUBACK reason "No matching subscribers" (MQTT 5.0, table 3-4): taken and thrown away."""
REFUSED = 0x80
"""This reason and all above it: not taken (MQTT 5.0, 2.4)."""
NOT_AUTHORIZED, SERVER_UNAVAILABLE, QUOTA_EXCEEDED = 0x87, 0x88, 0x97
_TODO = {
    NOT_AUTHORIZED: "check its access list",
    SERVER_UNAVAILABLE: "see that most nodes of the cluster run",
    QUOTA_EXCEEDED: "make room at the broker",
}


class BrokerError(Exception):
    """The broker, or the way to it, is at fault; the text says what to do."""


@dataclass(frozen=True, slots=True)
class StreamSettings:
    """Where the broker is a cluster of NATS JetStream: how its streams are made."""

    hosts: tuple[tuple[str, int], ...] = ()
    """Further nodes, as host and port."""
    replicas: int = 3
    partitions: int = 1
    """Streams by site and unit; the same number everywhere."""
    own: tuple[int, ...] | None = None
    """Partitions that a recorder takes; None: all of them; empty: what the cluster keeps alone."""
    stream_bytes: int = 10_000_000_000
    keep_s: float = 30 * 86400.0


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    """None: the certificates that the system trusts."""
    certificate_file: str | None = None
    key_file: str | None = None
    keepalive_s: int = 30
    connect_timeout_s: float = 5.0
    session_expiry_s: int = 7 * 86400
    """How long the broker keeps a session, and what it queues for it, without its client."""
    will_delay_s: int = 3
    """A blip shorter than this does not show the unit as offline."""
    streams: StreamSettings | None = None
    """None: the broker speaks MQTT."""


@dataclass(frozen=True, slots=True)
class Will:
    topic: str
    payload: bytes


class Connected(NamedTuple):
    session_present: bool
    receive_maximum: int
    """Most unacknowledged messages that the broker takes from us."""


class ConnectionLost(NamedTuple):
    reason: str


def read_files(settings: BrokerSettings) -> None:
    """BrokerError where a file that it names cannot be read: TLS tells neither which nor why."""
    for key in ("ca_file", "certificate_file", "key_file"):
        path = getattr(settings, key)
        try:
            if path is not None:
                Path(path).read_bytes()
        except OSError as fault:
            raise BrokerError(
                f"{key} {path} cannot be read ({fault.strerror}): see that [broker] {key} names "
                "a file that is there, and that this process may read"
            ) from fault


class Acknowledged(NamedTuple):
    mid: int
    code: int
    """0 delivered or queued, 16 nobody subscribed, 128 and above refused."""
    reason: str


def refusal(answer: Acknowledged) -> str:
    """Why a message was not taken and what to do; empty where it was."""
    if answer.code < REFUSED:
        return ""
    said = f"{answer.reason} ({answer.code})"
    todo = _TODO.get(answer.code)
    return f"{said}, {todo}" if todo else said


class Received(NamedTuple):
    topic: str
    payload: bytes
    mid: int
    qos: int
    retained: bool = False
    """The broker had it before it was asked: nothing tells how long ago it came."""


class SubscriptionRefused(NamedTuple):
    reason: str


LinkEvent = Connected | ConnectionLost | Acknowledged | Received | SubscriptionRefused


class BrokerLink(Protocol):
    """One connection. Nothing in it retries or remembers: it lives until it is lost, then a new one
    is made. All calls come from one thread."""

    def connect(self) -> None:
        """Open it; may block for ``connect_timeout_s``. The answer comes by ``poll``. BrokerError
        where there is no broker."""

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        """Send and receive: wait up to ``timeout_s`` for the first thing to happen, then take what
        else is there. What happened, in order."""

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None,
        entry_id: str | None = None,
    ) -> int:  # fmt: skip
        """Send; the message's id, which comes back in Acknowledged. The broker forgets a retained
        message ``expiry_s`` later, and where it can, takes one ``entry_id`` once only."""

    def subscribe(self, filters: Sequence[str]) -> None:
        """Hear these topics from now on."""

    def acknowledge(self, message: Received) -> None:
        """It is kept here: the broker need not send it again."""

    def close(self) -> None:
        """Leave in order, so that the last will is not sent. Safe on a lost connection."""
