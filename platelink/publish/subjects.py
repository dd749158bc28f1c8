"""Subjects of NATS for the topics of MQTT, and back. Pure."""

from __future__ import annotations

import zlib

from platelink.publish.topics import ROOT

DOTTED, DASHED = ROOT.replace("/", "."), ROOT.replace("/", "-")
KEPT = "platelink.kept.v1"


def partition_of(site: str, unit: str, partitions: int) -> int:
    """The stream of a unit: CRC-32 of "site/unit" (zlib's), modulo their number."""
    return zlib.crc32(f"{site}/{unit}".encode()) % partitions


def subject_of(topic: str, partitions: int, *, kept: bool) -> str:
    """The subject of a topic, or of a filter of what is kept. A '.' in a name is '%' there."""
    levels = ["*" if level == "+" else level.replace(".", "%") for level in levels_of(topic)]
    if kept:
        return ".".join((KEPT, *levels))
    site, unit = levels_of(topic)[:2]
    return ".".join((DOTTED, str(partition_of(site, unit, partitions)), *levels))


def topic_of(subject: str) -> str:
    """The topic of a subject of ours."""
    levels = subject.split(".")[3:]  # platelink.v1.<partition>, platelink.kept.v1
    return "/".join((ROOT, *(level.replace("%", ".") for level in levels)))


def levels_of(topic: str) -> list[str]:
    """From the site on."""
    return topic.removeprefix(f"{ROOT}/").split("/")
