"""The broker as a cluster of NATS JetStream: subjects, streams, settings. The cluster itself is in
system_services/test_cluster.py."""

from __future__ import annotations

import zlib
from dataclasses import replace as changed
from pathlib import Path
from ssl import SSLCertVerificationError

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nats.js.api import DiscardPolicy, StorageType, StreamConfig

from platelink.config.load import ConfigError, load_recorder
from platelink.config.model import RecorderConfig
from platelink.daemon.recorder_setup import recorder_broker
from platelink.publish.broker import StreamSettings
from platelink.publish.streams import entry_stream, kept_stream, loses, not_taken
from platelink.publish.subjects import partition_of, subject_of, topic_of
from platelink.publish.topics import Topics, check_name

NAMES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True)


@given(site=NAMES, unit=NAMES, partitions=st.integers(1, 256), kept=st.booleans())
def test_a_topic_comes_back_from_its_subject(
    site: str, unit: str, partitions: int, kept: bool
) -> None:
    """Tokens of a subject hold no '.', ' ', '*' and '>' (NATS documentation, subjects)."""
    check_name("site", site)
    topic = f"platelink/v1/{site}/{unit}/run/20260302-1:a/samples"
    subject = subject_of(topic, partitions, kept=kept)
    assert topic_of(subject) == topic
    tokens = subject.split(".")
    assert all(tokens) and not set(subject) & set(" *>")
    assert len(tokens) == 8
    if not kept:
        assert tokens[2] == str(partition_of(site, unit, partitions))


def test_a_filter_of_what_is_kept_takes_one_level() -> None:
    topic = Topics("shop", "unit-1").held_by_any
    assert subject_of(topic, 16, kept=True) == "platelink.kept.v1.shop.unit-1.held.*"


def test_units_are_spread_over_the_partitions_and_stay_there() -> None:
    """CRC-32 of "123456789" is CBF43926 (ISO-HDLC's check value, RFC 1952's CRC)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert partition_of("1234", "6789", 1 << 32) == zlib.crc32(b"1234/6789")
    found = [partition_of("shop", f"unit-{n}", 16) for n in range(16_000)]
    assert all(800 < found.count(part) < 1200 for part in range(16))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"storage": StorageType.MEMORY}, "is in memory"),
        ({"discard": DiscardPolicy.OLD}, "discards its old messages where it is full"),
        ({"num_replicas": 1}, "has 1 of 3 replicas"),
        ({"duplicate_window": 120.0}, "knows an entry again for 120 s only"),
        ({"max_msgs_per_subject": 1}, "keeps 1 messages of a subject"),
        ({"subjects": ["platelink.>"]}, "takes ['platelink.>']"),
        ({"no_ack": True}, "acknowledges nothing"),
    ],
)
def test_a_stream_that_would_lose_is_refused(change: dict[str, object], says: str) -> None:
    wanted = entry_stream(0, StreamSettings())
    assert loses(wanted, wanted) == ""
    assert loses(changed(wanted, **change), wanted) == says
    grown = StreamConfig(**vars(changed(wanted, num_replicas=5, max_bytes=1 << 50)))
    assert loses(grown, wanted) == ""


def test_a_certificate_that_is_not_known_is_no_matter_of_names() -> None:
    told = not_taken("nats.example:4222", SSLCertVerificationError("unknown authority"), ())
    assert "unknown authority" in told
    assert told.endswith("ca_file, certificate_file, key_file")
    assert "file" not in not_taken("nats.example:4222", TimeoutError(), ())


def test_what_is_kept_goes_away_by_itself_where_its_time_is_over() -> None:
    kept = kept_stream(StreamSettings())
    assert (kept.max_msgs_per_subject, kept.allow_msg_ttl) == (1, True)
    assert kept.discard is DiscardPolicy.OLD
    assert loses(kept, kept) == ""
    assert loses(changed(kept, allow_msg_ttl=None), kept).startswith("takes nothing that goes away")
    assert kept.subject_delete_marker_ttl == 7 * 86_400.0  # that something was there is told longer


FILE = """
format = 1
[broker]
host = "nats-1.example"
port = 4222
[store]
url = "http://127.0.0.1:8428"
"""


def loaded(folder: Path, text: str) -> RecorderConfig:
    file = folder / "platelink.toml"
    file.write_text(FILE + text + "\n", "utf-8")
    return load_recorder(file)


def test_the_cluster_of_a_configuration(tmp_path: Path) -> None:
    text = (
        '[jetstream]\nnodes = ["nats-2.example:4222", "[::1]:4223"]\npartitions = 4\n'
        "stream_gb = 0.5\nkeep_days = 2\n[recorder]\npartitions = [1, 3]\n"
    )
    broker = recorder_broker(loaded(tmp_path, text))
    assert broker.streams == StreamSettings(
        hosts=(("nats-2.example", 4222), ("::1", 4223)), replicas=3, partitions=4, own=(1, 3),
        stream_bytes=500_000_000, keep_s=172_800.0,
    )  # fmt: skip
    assert recorder_broker(loaded(tmp_path, "")).streams is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[jetstream]\nnodes = ["nats-2.example"]', "must be host:port"),
        ('[jetstream]\nnodes = ["nats-2.example:70000"]', "must be host:port"),
        ("[jetstream]\nreplicas = 0", "replicas"),
        ('[jetstream]\n[recorder]\ngroup = "all"', "give each recorder its own partitions"),
        ("[jetstream]\npartitions = 2\n[recorder]\npartitions = [2]", "from 0 to 1"),
        ("[jetstream]\npartitions = 2\n[recorder]\npartitions = [1, 1]", "different numbers"),
        ("[recorder]\npartitions = [0]", "there is none"),
    ],
)
def test_a_cluster_that_cannot_be_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(ConfigError, match=says):
        loaded(tmp_path, text)
