"""The streams of a cluster of NATS JetStream: how they are made, and whether some would lose."""

from __future__ import annotations

from nats.js.api import DiscardPolicy, RetentionPolicy, StorageType, StreamConfig

from platelink.publish.broker import StreamSettings
from platelink.publish.subjects import DASHED, DOTTED, KEPT

ONCE_S = 3600.0
"""For so long one entry's id is taken once."""
STATUS_S = 60
"""The status of a unit that is not renewed goes away."""
GONE_S = 7 * 86400
"""For so long the cluster tells of what has gone away that it was there."""
KEPT_STREAM = f"{DASHED}-kept"


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
    }
    return next((text for text, is_so in faults.items() if is_so), "")
