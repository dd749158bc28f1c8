"""Which link a broker takes."""

from __future__ import annotations

from platelink.publish.broker import BrokerError, BrokerLink, BrokerSettings, Will
from platelink.publish.mqtt import MqttLink


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
            "the client of NATS is not installed: pip install 'platelink[jetstream]'"
        ) from fault
    return StreamLink(settings, client_id=client_id, will=will, receive_maximum=receive_maximum)
