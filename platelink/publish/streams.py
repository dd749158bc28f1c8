"""The streams of a cluster of NATS JetStream: how they are made, whether some would lose, and what
its faults mean."""

from __future__ import annotations

from collections.abc import Iterable
from ssl import SSLError

import nats.js.errors
from nats.js.api import (
    AckPolicy,
    ConsumerConfig,
    DeliverPolicy,
    DiscardPolicy,
    RetentionPolicy,
    StorageType,
    StreamConfig,
)

from platelink.publish.broker import StreamSettings
from platelink.publish.subjects import DASHED, DOTTED, KEPT

ONCE_S = 3600.0
"""For so long one entry's id is taken once."""
STATUS_S = 60
"""The status of a unit that is not renewed goes away."""
GONE_S = 7 * 86400
"""For so long the cluster tells of what has gone away that it was there."""
ACK_WAIT_S = 30.0
"""What a recorder has not acknowledged by then is sent again."""
KEPT_STREAM = f"{DASHED}-kept"
RIGHTS = "give it this right at the cluster, as deploy/nats.conf does"


def entry_stream(number: int, streams: StreamSettings) -> StreamConfig:
    """Of the entries of one partition: by age alone they go away, and when it is full nothing
    more is taken."""
    return StreamConfig(
        name=f"{DASHED}-{number}",
        subjects=[f"{DOTTED}.{number}.>"],
        retention=RetentionPolicy.LIMITS,
        storage=StorageType.FILE,
        discard=DiscardPolicy.NEW,
        num_replicas=streams.replicas,
        max_bytes=streams.stream_bytes,
        max_age=streams.keep_s,
        max_msgs_per_subject=-1,
        duplicate_window=min(ONCE_S, streams.keep_s),
    )


def kept_stream(streams: StreamSettings) -> StreamConfig:
    """Of what the broker keeps: the newest of each subject; what has expired is said."""
    return StreamConfig(
        name=KEPT_STREAM,
        subjects=[f"{KEPT}.>"],
        retention=RetentionPolicy.LIMITS,
        storage=StorageType.FILE,
        discard=DiscardPolicy.OLD,
        num_replicas=streams.replicas,
        max_msgs_per_subject=1,
        duplicate_window=ONCE_S,
        allow_msg_ttl=True,
        subject_delete_marker_ttl=float(GONE_S),
    )


def place(name: str, most: int) -> ConsumerConfig:
    """Of a recorder in a stream; ``most`` messages may be open."""
    return ConsumerConfig(
        durable_name=name,
        ack_policy=AckPolicy.EXPLICIT,
        deliver_policy=DeliverPolicy.ALL,
        ack_wait=ACK_WAIT_S,
        max_deliver=-1,
        max_ack_pending=most,
    )


def loses(found: StreamConfig, wanted: StreamConfig) -> str:
    """Why a stream as it is would lose entries, or take them twice; empty: it does not."""
    faults = {
        "is in memory": found.storage != StorageType.FILE,
        "discards its old messages where it is full": found.discard != wanted.discard,
        f"has {found.num_replicas} of {wanted.num_replicas} replicas": (
            (found.num_replicas or 1) < (wanted.num_replicas or 1)
        ),
        "lets entries go before their time": found.retention != wanted.retention,
        f"knows an entry again for {found.duplicate_window:g} s only": (
            found.duplicate_window < wanted.duplicate_window
        ),
        f"keeps {found.max_msgs_per_subject} messages of a subject": (
            found.max_msgs_per_subject != wanted.max_msgs_per_subject
        ),
        f"takes {found.subjects}": found.subjects != wanted.subjects,
        "acknowledges nothing": bool(found.no_ack),
        "takes nothing that goes away by itself (allow_msg_ttl)": (
            bool(wanted.allow_msg_ttl) and not found.allow_msg_ttl
        ),
    }
    return next((text for text, is_so in faults.items() if is_so), "")


def not_taken(where: str, fault: BaseException, denied: Iterable[str]) -> str:
    """Why this client is not let in, and what to do; ``denied``: what its user may not do."""
    if why := "; ".join(denied):
        return f"the cluster at {where}: {why}: {RIGHTS}"
    if isinstance(fault, nats.js.errors.ServiceUnavailableError):
        return (
            f"the cluster at {where} takes this client, but no JetStream answers: see that most "
            "nodes run, with 'jetstream' in their configuration (deploy/nats.conf)"
        )
    files = ", and ca_file, certificate_file, key_file" if isinstance(fault, SSLError) else ""
    return (
        f"no node of the cluster at {where} takes this client ({said(fault)}): check that it "
        f"runs, host, port, name and password{files}"
    )


def not_as_it_should(name: str, wrong: str) -> str:
    """What to do about a stream that loses."""
    return (
        f"the stream {name} of the cluster {wrong}, so that entries would be lost: "
        "put it right with 'nats stream edit', or remove it and it is made again"
    )


def not_there(name: str) -> str:
    """What to do about a stream that this client may not make."""
    return (
        f"the stream {name} of the cluster is not there, and this user may not make it: a unit "
        "makes those it needs, a recorder all of them, when they connect"
    )


def not_made(wanted: StreamConfig, fault: BaseException) -> str:
    """Why the cluster does not make it, and what to do."""
    return (
        f"the stream {wanted.name} of the cluster cannot be made ({said(fault)}): it takes "
        f"{wanted.num_replicas} nodes that run ([jetstream] replicas), with room for it"
    )


def said(fault: BaseException) -> str:
    """What the cluster says of it."""
    text = fault.description if isinstance(fault, nats.js.errors.APIError) else str(fault)
    return text or type(fault).__name__
