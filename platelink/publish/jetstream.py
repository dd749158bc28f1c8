"""One connection to a cluster of NATS JetStream. Only this file and ``streams`` import nats.

Topics are MQTT's; on the wire ``platelink/v1/<site>/<unit>/…`` is the subject
``platelink.v1.<partition>.<site>.<unit>.…`` of the stream ``platelink-v1-<partition>``, and what
the broker keeps is ``platelink.kept.v1.<site>.<unit>.…`` of ``platelink-v1-kept``, the newest of
each. A stream that is full takes nothing more, an entry's id is taken once within an hour, and an
entry goes away by its age alone.

The cluster has no last will. The status of a unit is kept for STATUS_S and renewed meanwhile: where
there is none, the unit is not there.

What a user may not do is not answered: the server says so beside it. A message that may not be
written is then given up, any other call runs out of time.

asyncio runs inside ``connect``, ``poll`` and ``close`` only (of one that only looks in
``subscribe`` too), in the thread that calls them.
"""

from __future__ import annotations

import asyncio
import random
import re
import ssl
import time
from collections.abc import Coroutine, Sequence
from contextlib import suppress
from datetime import datetime
from functools import partial
from typing import Any

import nats.errors
import nats.js.errors
from nats.aio.client import Client
from nats.aio.msg import Msg
from nats.js.api import ConsumerConfig, DeliverPolicy, Header, StreamConfig
from nats.js.errors import ServiceUnavailableError

from platelink.publish.broker import (
    NOT_AUTHORIZED,
    QUOTA_EXCEEDED,
    REFUSED,
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerError,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    Will,
    read_files,
)
from platelink.publish.pulls import PULL_S, Pull
from platelink.publish.streams import (
    KEPT_STREAM,
    RIGHTS,
    STATUS_S,
    entry_stream,
    kept_stream,
    loses,
    not_as_it_should,
    not_made,
    not_taken,
    not_there,
    place,
    said,
)
from platelink.publish.subjects import DASHED, levels_of, partition_of, subject_of, topic_of

POLL_EVENTS = 500
"""Most events of one ``poll``, as with MQTT."""
IN_FLIGHT = 100
"""Messages published and not yet acknowledged."""
ANSWER_S = 15.0
"""A stream without a leader has one again by then."""
_FULL = frozenset({10002, 10023, 10028, 10047, 10054, 10077, 10122})
"""JetStream's codes for too much in the stream, in the account, or on the disk."""
_DENIED = re.compile(
    r'permissions violation for (publish|subscription) to "([^"]+)"', re.IGNORECASE
)
_PASSES = (nats.errors.TimeoutError, nats.js.errors.NotFoundError, ServiceUnavailableError)
_UNASKED = ("$js.ack.", "$js.api.consumer.msg.next.")
"""What is written there is answered by messages, or by nothing."""


class StreamLink:
    """See the file's first lines, and BrokerLink."""

    def __init__(
        self, settings: BrokerSettings, *, client_id: str, will: Will | None = None,
        receive_maximum: int = 20,
    ) -> None:  # fmt: skip
        assert settings.streams is not None
        self._settings, self._streams = settings, settings.streams
        self._name = client_id
        self._status_topic = will.topic if will is not None else None
        self._status: tuple[float, bytes] | None = None
        """When it was last sent, and what."""
        self._receive_maximum = receive_maximum
        self._loop = asyncio.new_event_loop()
        self._client = Client()
        self._js = self._client.jetstream(timeout=settings.connect_timeout_s)
        self._events: list[LinkEvent] = []
        self._news = asyncio.Event()
        self._works: set[asyncio.Task[None]] = set()
        self._last = 0
        self._open: dict[int, Msg] = {}
        self._pulls: list[Pull] = []
        self._made: dict[str, datetime | None] = {}  # of each stream that is used: when
        self._looked_at = time.monotonic()
        self._denied: dict[str, str] = {}
        """By subject, in small letters: why this user may not write there, or hear it."""
        self._begun = self._closed = False

    def connect(self) -> None:
        """See BrokerLink. Streams that are not there are made; BrokerError for some that lose."""
        try:
            read_files(self._settings)
            self._loop.run_until_complete(self._connect())
        except BrokerError:
            self.close()
            raise
        except (OSError, TimeoutError, nats.errors.Error, ssl.SSLError) as fault:
            self.close()
            where = f"{self._settings.host}:{self._settings.port}"
            raise BrokerError(not_taken(where, fault, self._denied.values())) from fault

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        """See BrokerLink."""
        self._loop.run_until_complete(self._wait(timeout_s))
        events, self._events = self._events, []
        return events

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None,
        entry_id: str | None = None,
    ) -> int:  # fmt: skip
        """See BrokerLink."""
        if retain and topic == self._status_topic:
            expiry_s = STATUS_S
            self._status = (time.monotonic(), payload)
        self._last += 1
        subject = subject_of(topic, self._streams.partitions, kept=retain)
        headers = {Header.MSG_ID.value: entry_id} if entry_id is not None else {}
        if expiry_s is not None:
            headers[Header.MSG_TTL.value] = str(expiry_s)
        self._work(self._publish(self._last, subject, payload, headers), subject.lower())
        return self._last

    def subscribe(self, filters: Sequence[str]) -> None:
        """See BrokerLink: what is kept, or for a recorder the streams of all entries."""
        entries = [one for one in filters if "/run/" in one or one.endswith("/event")]
        if entries:
            self._work(self._pull())
        for one in filters:
            if one not in entries:
                self._work(self._hear(one))
        if not self._own:  # who only looks must not take what is not heard yet for nothing
            self._loop.run_until_complete(asyncio.gather(*self._works, return_exceptions=True))

    def acknowledge(self, message: Received) -> None:
        """See BrokerLink."""
        msg = self._open.pop(message.mid, None)
        if msg is not None and not self._closed:
            self._work(msg.ack())

    def close(self) -> None:
        """See BrokerLink."""
        if self._loop.is_closed():
            return
        self._closed = True
        try:
            self._loop.run_until_complete(self._leave())
        finally:
            self._loop.close()
        self._events.clear()

    # --- inside the loop -------------------------------------------------------------------

    def _work(self, what: Coroutine[Any, Any, None], name: str = "") -> None:
        task = self._loop.create_task(what, name=name)
        self._works.add(task)
        task.add_done_callback(self._done)

    def _done(self, task: asyncio.Task[None]) -> None:
        self._works.discard(task)
        fault = None if task.cancelled() else task.exception()
        if fault is not None:
            why = "; ".join(self._denied.values()) or said(fault)
            self._tell(ConnectionLost(f"the cluster: {why}"))

    def _tell(self, event: LinkEvent) -> None:
        if not self._closed:
            self._events.append(event)
            self._news.set()

    async def _connect(self) -> None:
        s = self._settings
        nodes = [(s.host, s.port), *self._streams.hosts]
        random.shuffle(nodes)  # so that the clients of a node that dies spread over the others
        scheme = "tls" if s.tls else "nats"
        own = f"_INBOX.{s.username.replace('.', '%')}" if s.username else "_INBOX"
        tls = ssl.create_default_context(cafile=s.ca_file) if s.tls else None
        if tls is not None and s.certificate_file is not None:
            tls.load_cert_chain(s.certificate_file, s.key_file)

        async def lost() -> None:
            self._tell(ConnectionLost("connection lost: the node has gone"))

        async def failed(fault: Exception) -> None:
            """What else matters is told by the call that fails."""
            if (found := _DENIED.search(str(fault))) is not None:
                self._deny(found[1].lower() == "publish", found[2])

        self._begun = True
        for node in nodes:
            try:
                async with asyncio.timeout(s.connect_timeout_s):
                    await self._client.connect(
                        f"{scheme}://{node[0]}:{node[1]}", name=self._name, user=s.username,
                        password=s.password, tls=tls, allow_reconnect=False,
                        max_reconnect_attempts=1, reconnect_time_wait=0,
                        connect_timeout=max(1, int(s.connect_timeout_s)),
                        ping_interval=s.keepalive_s, max_outstanding_pings=2,
                        disconnected_cb=lost, error_cb=failed, inbox_prefix=own,
                    )  # fmt: skip
            except (OSError, TimeoutError, nats.errors.Error):
                if node == nodes[-1]:
                    raise
            else:
                break
        await asyncio.gather(*(self._ensure(one) for one in self._wanted()))
        self._tell(Connected(session_present=True, receive_maximum=IN_FLIGHT))

    def _deny(self, write: bool, subject: str) -> None:
        key, what = subject.lower(), "write to" if write else "hear"
        self._denied[key] = why = f"this user may not {what} {subject}"
        if key.startswith(_UNASKED):
            self._tell(ConnectionLost(f"the cluster: {why}: {RIGHTS}"))
        for task in self._works:
            if task.get_name() == key:
                task.cancel()

    def _wanted(self) -> list[StreamConfig]:
        streams = self._streams
        if self._status_topic is not None:
            site, unit = levels_of(self._status_topic)[:2]
            numbers = [partition_of(site, unit, streams.partitions)]
        else:
            numbers = list(self._own)
        return [kept_stream(streams), *(entry_stream(number, streams) for number in numbers)]

    @property
    def _own(self) -> Sequence[int]:
        streams = self._streams
        return range(streams.partitions) if streams.own is None else streams.own

    async def _ensure(self, wanted: StreamConfig) -> None:
        name = wanted.name or ""
        try:
            found = await self._js.stream_info(name)
        except nats.js.errors.NotFoundError:
            try:
                found = await self._js.add_stream(wanted)
            except nats.errors.TimeoutError:
                if f"$js.api.stream.create.{name}" not in self._denied:
                    raise
                raise BrokerError(not_there(name)) from None
            except nats.js.errors.APIError as fault:
                raise BrokerError(not_made(wanted, fault)) from fault
        self._made[name] = found.created
        if wrong := loses(found.config, wanted):
            raise BrokerError(not_as_it_should(name, wrong))

    async def _wait(self, timeout_s: float) -> None:
        self._renew(time.monotonic())
        for pull in self._pulls:
            await self._ask(pull)
        if not self._events:
            self._news.clear()
            try:
                await asyncio.wait_for(self._news.wait(), timeout_s)
            except TimeoutError:
                return
        seen = 0
        while seen < len(self._events) < POLL_EVENTS:  # and what else is there
            seen = len(self._events)
            await asyncio.sleep(0.0)

    def _renew(self, now: float) -> None:
        if now - self._looked_at > STATUS_S / 3.0:
            self._looked_at = now
            self._work(self._look())
        if self._status is not None and self._status_topic is not None:
            at, payload = self._status
            if now - at > STATUS_S / 3.0:
                self.publish(self._status_topic, payload, retain=True)

    async def _publish(
        self, mid: int, subject: str, payload: bytes, headers: dict[str, str]
    ) -> None:
        answer = Acknowledged(mid, 0, "")
        try:
            await self._js.publish(subject, payload, timeout=ANSWER_S, headers=headers)
        except nats.js.errors.APIError as fault:
            code = QUOTA_EXCEEDED if fault.err_code in _FULL else REFUSED
            answer = Acknowledged(mid, code, said(fault))
        except (nats.js.errors.NoStreamResponseError, nats.errors.TimeoutError) as fault:
            answer = Acknowledged(mid, SERVER_UNAVAILABLE, said(fault))
        except asyncio.CancelledError:
            if (denied := self._denied.get(subject.lower())) is None:
                raise
            answer = Acknowledged(mid, NOT_AUTHORIZED, denied)
        except nats.errors.Error as fault:
            self._tell(ConnectionLost(f"connection lost: {said(fault)}"))
            return
        self._tell(answer)

    async def _look(self) -> None:
        """A stream that was removed has none of our places any more, also where another client
        has made it again."""
        for name, made in self._made.items():
            try:
                found = (await self._js.stream_info(name)).created
            except nats.js.errors.NotFoundError:
                found = None
            except nats.errors.Error:
                continue
            if found != made:
                self._tell(ConnectionLost(f"the stream {name} was removed: it is made again"))
                return

    async def _hear(self, topic: str) -> None:
        """What is kept under it now, and each change."""
        before = (await self._js.stream_info(KEPT_STREAM)).state.last_seq

        async def got(msg: Msg) -> None:
            self._last += 1
            retained = msg.metadata.sequence.stream <= before
            self._tell(Received(topic_of(msg.subject), msg.data, self._last, 0, retained))

        await self._js.subscribe(
            subject_of(topic, self._streams.partitions, kept=True), stream=KEPT_STREAM,
            cb=got, ordered_consumer=True,
            config=ConsumerConfig(deliver_policy=DeliverPolicy.LAST_PER_SUBJECT),
        )  # fmt: skip

    async def _pull(self) -> None:
        """A recorder's place in each of its streams, kept by the cluster under its name."""
        for number in self._own:
            pull = Pull(f"{DASHED}-{number}", self._client.new_inbox())
            await self._place(pull)
            await self._client.subscribe(pull.inbox, cb=partial(self._take, pull))
            self._pulls.append(pull)

    async def _place(self, pull: Pull) -> None:
        """Made where it is not there."""
        await self._js.add_consumer(pull.stream, place(self._name, 2 * self._receive_maximum))

    async def _take(self, pull: Pull, msg: Msg) -> None:
        status = (msg.headers or {}).get("Status") if not msg.data else None
        if status is None:
            pull.came()
            self._last += 1
            self._open[self._last] = msg
            self._tell(Received(topic_of(msg.subject), msg.data, self._last, 1))
        elif pull.ended(status, now=time.monotonic()):
            self._work(self._place_again(pull))

    async def _place_again(self, pull: Pull) -> None:
        """Where the place was removed: the leader may have gone, or the stream (``_look``)."""
        try:
            await self._place(pull)
        except _PASSES:
            pass
        finally:
            pull.refused = False

    async def _ask(self, pull: Pull) -> None:
        """For as many more as may be open."""
        now = time.monotonic()
        share = self._receive_maximum // len(self._pulls)
        others = sum(one.asked for one in self._pulls if one is not pull)
        room = min(max(1, share), self._receive_maximum - len(self._open) - others)
        if room < 1 or self._client.is_closed or not pull.due(now=now):
            return
        pull.asked, pull.asked_at = room, now
        body = f'{{"batch":{room},"expires":{round(PULL_S * 1e9)}}}'.encode()
        subject = f"$JS.API.CONSUMER.MSG.NEXT.{pull.stream}.{self._name}"
        await self._client.publish(subject, body, reply=pull.inbox)

    async def _leave(self) -> None:
        if self._begun and not self._client.is_closed:
            with suppress(TimeoutError):  # after a failed handshake of TLS it waits for ever
                await asyncio.wait_for(self._client.close(), 1.0)
        rest = asyncio.all_tasks() - {asyncio.current_task()}  # the client leaves some of its own
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)
