"""One MQTT 5 connection to the broker. The only file that imports paho.

Nothing here retries or remembers, so paho's in-memory queue never holds anything that is not also
in a journal. All calls come from one thread; ``poll`` runs the callbacks in it.
"""

from __future__ import annotations

import ssl
from collections.abc import Sequence

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from platelink.publish.broker import (
    Acknowledged,
    BrokerError,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    SubscriptionRefused,
    Will,
    read_files,
)

POLL_EVENTS = 500
"""Most events of one ``poll``: a backlog is taken in large commits, and still in pieces."""


class MqttLink:
    """One connection. ``connect`` may block for ``connect_timeout_s``; ``poll`` for its argument.

    The session is persistent under the fixed ``client_id``. Received messages are acknowledged
    only by ``acknowledge``; at most ``receive_maximum`` may be open."""

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        client_id: str,
        will: Will | None = None,
        receive_maximum: int = 20,
    ) -> None:
        self._settings = settings
        self._events: list[LinkEvent] = []
        self._refused = self._answered = False
        self._receive_maximum = receive_maximum
        self._client = client = Client(
            CallbackAPIVersion.VERSION2, client_id, protocol=MQTTv5, manual_ack=True
        )
        client.connect_timeout = settings.connect_timeout_s
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if will is not None:
            properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
            properties.WillDelayInterval = settings.will_delay_s
            client.will_set(will.topic, will.payload, qos=1, retain=True, properties=properties)

    def connect(self) -> None:
        """Open the socket and ask for the session; the answer comes by ``poll``."""
        s = self._settings
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = s.session_expiry_s
        properties.ReceiveMaximum = self._receive_maximum
        where = f"{s.host}:{s.port}"
        read_files(s)
        try:
            if s.tls:
                self._client.tls_set(s.ca_file, s.certificate_file, s.key_file)
            self._client.connect(
                s.host, s.port, keepalive=s.keepalive_s, clean_start=False, properties=properties
            )
        except ssl.SSLError as fault:
            raise BrokerError(
                f"broker {where} refused TLS ({fault}): check ca_file, certificate_file, key_file"
            ) from fault
        except OSError as fault:
            raise BrokerError(
                f"broker {where} not reachable within {s.connect_timeout_s:g} s ({fault}): "
                f"check that it runs and that host and port are right"
            ) from fault

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        """Send and receive: wait up to ``timeout_s`` for the first thing to happen, then take what
        else is there, up to POLL_EVENTS. What happened, in order."""
        code = self._client.loop(timeout_s)
        seen = 0
        while code == MQTTErrorCode.MQTT_ERR_SUCCESS and seen < len(self._events) < POLL_EVENTS:
            seen = len(self._events)
            code = self._client.loop(0.0)
        lost = self._refused or any(isinstance(event, ConnectionLost) for event in self._events)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not lost:
            self._events.append(ConnectionLost(f"connection lost: {code.name}"))
        events, self._events = self._events, []
        return events

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None,
        entry_id: str | None = None,
    ) -> int:  # fmt: skip
        """Send at QoS 1. MQTT knows nothing of one entry sent twice: recorders drop it."""
        properties = None
        if expiry_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = expiry_s
        return self._client.publish(topic, payload, 1, retain, properties).mid

    def subscribe(self, filters: Sequence[str]) -> None:
        self._client.subscribe([(f, SubscribeOptions(qos=1)) for f in filters])

    def acknowledge(self, message: Received) -> None:
        self._client.ack(message.mid, message.qos)

    def close(self) -> None:
        """Leave in order, so that the last will is not sent. Safe on a lost connection."""
        self._client.disconnect()
        self._client.loop(0.05)
        self._events.clear()

    def _on_connect(
        self,
        client: Client,
        userdata: object,
        flags: ConnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if code.is_failure:
            text = f"broker refused the connection: {code} ({code.value}); check name and password"
            self._events.append(ConnectionLost(text))
            self._refused = True
            return
        self._answered = True
        maximum = int(getattr(properties, "ReceiveMaximum", 65535))
        self._events.append(Connected(flags.session_present, maximum))

    def _on_disconnect(
        self,
        client: Client,
        userdata: object,
        flags: DisconnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._refused:  # why was said; that the connection ends follows from it
            return
        who = "closed by the broker" if flags.is_disconnect_packet_from_server else "lost"
        text = f"connection {who}: {code}"
        if not self._answered:
            text += ", before any answer: see whether this port wants TLS ([broker] tls)"
        self._events.append(ConnectionLost(text))

    def _on_publish(
        self,
        client: Client,
        userdata: object,
        mid: int,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._events.append(Acknowledged(mid, int(code.value), str(code)))

    def _on_message(self, client: Client, userdata: object, m: MQTTMessage) -> None:
        self._events.append(Received(m.topic, bytes(m.payload), m.mid, m.qos, m.retain))

    def _on_subscribe(
        self,
        client: Client,
        userdata: object,
        mid: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        refused = [str(code) for code in codes if code.is_failure]
        if refused:
            text = f"broker refused a subscription: {', '.join(refused)}; check its access list"
            self._events.append(SubscriptionRefused(text))
