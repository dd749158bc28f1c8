"""Settings of a broker that is a cluster of NATS JetStream."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated

from pydantic import AfterValidator

from platelink.config.services import RecorderSection
from platelink.forms.keys import LISTED, Section, key

MOST_PARTITIONS = 256
_NODE = re.compile(r"\[?([A-Za-z0-9._:-]{1,255}?)\]?:([0-9]{1,5})")


def _node(text: str) -> str:
    found = _NODE.fullmatch(text)
    if found is None or not 0 < int(found[2]) <= 65535:
        raise ValueError("must be host:port, as nats-2.example:4222")
    return text


Node = Annotated[str, AfterValidator(_node)]


class JetStreamSection(Section):
    """What of ``[broker]`` is its first node, and how its streams are made."""

    nodes: Annotated[tuple[Node, ...], LISTED] = key(
        "The other nodes of the cluster, host:port; the first one stands in [broker].",
        (),
        sample=("nats-2.example:4222", "nats-3.example:4222"),
    )
    replicas: int = key(
        "Nodes that hold each entry before it counts as taken: 3 stand the loss of one node, 5 of "
        "two. 1: no more than one broker.",
        3,
        ge=1,
        le=5,
    )
    partitions: int = key(
        "Streams that the units are divided among, so that several recorders share the work. The "
        "same number for every unit and recorder; to change it, let all recorders catch up first.",
        1,
        ge=1,
        le=MOST_PARTITIONS,
    )
    stream_gb: float = key(
        "Most that one stream keeps, in GB. When it is full, units hold what is new in their "
        "journals.",
        10.0,
        ge=0.001,
        le=100_000.0,
    )
    keep_days: int = key(
        "How long entries are kept for recorders that are away or new.",
        30,
        unit="days",
        ge=1,
        le=3650,
    )

    def hosts(self) -> tuple[tuple[str, int], ...]:
        """The other nodes, as host and port."""
        pairs = (text.rpartition(":") for text in self.nodes)
        return tuple((host.strip("[]"), int(port)) for host, _, port in pairs)


def cluster_faults(
    cluster: JetStreamSection | None, recorder: RecorderSection
) -> Iterator[tuple[str, str]]:
    """(key path, text) of what of a recorder does not fit its broker."""
    partitions = 0 if cluster is None else cluster.partitions
    if cluster is None:
        if recorder.partitions:
            yield "recorder.partitions", "are those of a [jetstream] section; there is none"
        return
    if recorder.group is not None:
        yield (
            "recorder.group",
            "shares an MQTT broker; give each recorder its own partitions instead",
        )
    wrong = [number for number in recorder.partitions if not 0 <= number < partitions]
    if wrong or len(set(recorder.partitions)) < len(recorder.partitions):
        yield "recorder.partitions", f"must be different numbers from 0 to {partitions - 1}"
