"""The shipped broker settings and documented commands, on the real broker: names, rights, TLS."""

from __future__ import annotations

import gc
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from platelink.publish import services
from platelink.publish.broker import (
    Acknowledged,
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    StreamSettings,
)
from platelink.publish.discovery import discovery
from platelink.publish.links import link_to
from platelink.publish.services import BrokerService
from platelink.publish.topics import Topics

ONE, TWO = "shop/unit-1", "shop/unit-2"
DOCUMENT = Path(__file__).parents[2] / "docs" / "publishing.md"
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BrokerService.find() is None or shutil.which("openssl") is None,
        reason="needs: apt-get install mosquitto openssl",
    ),
]


def documented(mark: str) -> str:
    """The commands under this mark."""
    found = re.search(rf"<!-- {mark} -->\n```sh\n(.*?)```", DOCUMENT.read_text("utf-8"), re.S)
    assert found, mark
    return found[1]


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrokerService]:
    """Both listeners, the certificates made by the documented commands."""
    folder = tmp_path_factory.mktemp("secure")
    commands = documented("broker certificates")
    commands = commands.replace("/etc/mosquitto", str(folder)).replace("192.0.2.10", "127.0.0.1")
    commands = re.sub(r"^chgrp .*?; ", "", commands, flags=re.M)
    subprocess.run(["sh", "-e", "-c", commands], check=True, capture_output=True)
    service = BrokerService(folder, ONE, TWO, "shop", tls=True)
    service.start()
    yield service
    service.stop()


def by_tls(broker: BrokerService, user: str) -> BrokerSettings:
    """As a unit of the network reaches it."""
    assert broker.tls_port is not None
    return replace(
        broker.settings(user), port=broker.tls_port, tls=True,
        ca_file=str(broker.directory / "certs" / "ca.crt"),
    )  # fmt: skip


def heard(
    link: BrokerLink, until: Callable[[LinkEvent], bool], limit_s: float = 5
) -> list[LinkEvent]:
    """What came until then."""
    events: list[LinkEvent] = []
    deadline = time.monotonic() + limit_s
    while not any(until(event) for event in events):
        if time.monotonic() > deadline or any(isinstance(e, ConnectionLost) for e in events):
            break
        events += link.poll(0.05)
    return events


def first_answer(settings: BrokerSettings) -> LinkEvent:
    link = link_to(settings, client_id="secure")
    link.connect()
    try:
        return heard(link, lambda event: True)[0]
    finally:
        link.close()


def opened(stack: ExitStack, broker: BrokerService, user: str, *filters: str) -> BrokerLink:
    """Its session ends with it: nothing of one test is delivered again in the next."""
    link = link_to(replace(by_tls(broker, user), session_expiry_s=0), client_id="any-id")
    link.connect()
    stack.callback(link.close)
    assert heard(link, lambda event: isinstance(event, Connected))
    if filters:
        link.subscribe(filters)
        heard(link, lambda event: False, 0.3)
    return link


@pytest.mark.parametrize("how", [BrokerService.settings, by_tls], ids=["local", "tls"])
def test_right_name_is_let_in_and_no_other(broker, how):
    right = how(broker, ONE)
    assert isinstance(first_answer(right), Connected)
    for wrong in (
        replace(right, password="wrong-one"), replace(right, username=None, password=None),
        replace(right, username="shop/unit-9"), replace(right, username=TWO),
    ):  # fmt: skip
        answer = first_answer(wrong)
        assert isinstance(answer, ConnectionLost)
        assert "refused the connection" in answer.reason
        assert "check name and password" in answer.reason and "wrong-one" not in answer.reason


def test_a_port_that_wants_tls_is_said_to(broker):
    answer = first_answer(replace(broker.settings(ONE), port=broker.tls_port))
    assert isinstance(answer, ConnectionLost) and "see whether this port wants TLS" in answer.reason


@pytest.mark.parametrize("key", ["ca_file", "certificate_file", "key_file"])
@pytest.mark.parametrize("streams", [None, StreamSettings()])
def test_a_file_that_is_not_there_is_named(broker, key, streams):
    """TLS says that no such file is there, and not which: as of a broker that is away."""
    link = link_to(replace(by_tls(broker, ONE), streams=streams, **{key: "/nowhere/x"}),
                   client_id="x")  # fmt: skip
    with pytest.raises(BrokerError, match=rf"^{key} /nowhere/x cannot be read .*\[broker\] {key}"):
        link.connect()
    link.close()


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_unknown_certificate_is_refused_by_us(broker):
    with pytest.raises(BrokerError, match=r"refused TLS.*check ca_file"):
        first_answer(replace(by_tls(broker, ONE), ca_file=None))
    gc.collect()


def test_no_unit_writes_or_reads_what_is_another_s(broker):
    with ExitStack() as stack:
        recorder = opened(stack, broker, "recorder", "platelink/v1/+/+/run/+/+",
                          "platelink/v1/+/+/event")  # fmt: skip
        thief = opened(stack, broker, TWO, "#", f"platelink/v1/{ONE}/#", "$share/g/platelink/#",
                       "platelink/v1/shop/+/held/+", "$SYS/#")  # fmt: skip
        unit = opened(stack, broker, ONE)
        good = [f"platelink/v1/{ONE}/run/r1/samples", f"platelink/v1/{ONE}/event",
                f"platelink/v1/{ONE}/status", f"platelink/v1/{ONE}/cosign/shop/unit-9",
                f"platelink/v1/{ONE}/cosigned/shop/unit-9"]  # fmt: skip
        for topic in good:
            number = unit.publish(topic, b"own")
            answers = heard(unit, lambda e, n=number: isinstance(e, Acknowledged) and e.mid == n)
            assert answers[-1].code == 0, topic
        seen = heard(recorder, lambda e: isinstance(e, Received) and e.topic == good[1])
        assert [e.topic for e in seen if isinstance(e, Received)] == good[:2]
        recorder.publish(f"platelink/v1/{ONE}/held/night", b"held", retain=True)
        assert heard(recorder, lambda e: isinstance(e, Acknowledged))[-1].code in (0, 0x10)
        unit.subscribe([f"platelink/v1/{ONE}/held/+"])
        assert any(isinstance(e, Received) for e in heard(unit, lambda e: isinstance(e, Received)))
        assert not any(isinstance(e, Received) for e in heard(thief, lambda e: False, 0.5))
    foreign = [
        (ONE, f"platelink/v1/{TWO}/event"), (ONE, f"platelink/v1/{TWO}/run/r1/end"),
        (ONE, f"platelink/v1/{TWO}/status"), (ONE, f"platelink/v1/{TWO}/held/night"),
        (ONE, f"platelink/v1/{TWO}/checkpoint"), (ONE, f"platelink/v1/{TWO}/cosign/{ONE}"),
        (ONE, f"platelink/v1/{TWO}/cosigned/{ONE}"), (ONE, f"platelink/v1/{TWO}/took"),
        (ONE, "platelink/v1/shop/_shop/recipes"), (ONE, "platelink/v1/shop/_shop/people/unit-1"),
        ("recorder", "platelink/v1/shop/_shop/people"), ("shop", f"platelink/v1/{ONE}/took"),
        ("shop", f"platelink/v1/{ONE}/event"), ("shop", f"platelink/v1/{ONE}/checkpoint"),
        (ONE, f"platelink/v1/{ONE}/held/night"), (ONE, "platelink/v1/other/unit-1/event"),
        (ONE, "anything"), ("recorder", f"platelink/v1/{ONE}/event"),
        ("reader", f"platelink/v1/{ONE}/event"), ("reader", f"platelink/v1/{ONE}/held/x"),
        ("wall", f"platelink/v1/{ONE}/status"), ("wall", f"platelink/v1/{ONE}/held/x"),
    ]  # fmt: skip
    for user, topic in foreign:
        with ExitStack() as stack:
            link = opened(stack, broker, user)
            link.publish(topic, b"forged")
            answers = heard(link, lambda e: isinstance(e, Acknowledged))
            assert [e.code for e in answers if isinstance(e, Acknowledged)] == [0x87], topic


def test_units_read_of_each_other_how_the_log_of_seals_stands_and_what_is_for_them(broker):
    with ExitStack() as stack:
        one, two = opened(stack, broker, ONE), opened(stack, broker, TWO, f"platelink/v1/{ONE}/#")
        told = [f"platelink/v1/{ONE}/{kind}" for kind in
                ("checkpoint", f"cosign/{TWO}", f"cosigned/{TWO}")]  # fmt: skip
        for topic in (f"platelink/v1/{ONE}/cosign/shop/unit-9", *told):
            one.publish(topic, b"text", retain=True)
        seen = heard(two, lambda e: isinstance(e, Received) and e.topic == told[-1])
        assert {e.topic for e in seen if isinstance(e, Received)} == set(told)


def test_the_page_of_all_units_reads_statuses_and_checkpoints_and_no_entries(broker):
    with ExitStack() as stack:
        one, wall = opened(stack, broker, ONE), opened(stack, broker, "wall", "platelink/v1/#")
        for kind in ("run/r1/samples", "event", "checkpoint", "status"):
            one.publish(f"platelink/v1/{ONE}/{kind}", b"text")
        last = f"platelink/v1/{ONE}/status"
        seen = heard(wall, lambda e: isinstance(e, Received) and e.topic == last)
        told = {e.topic for e in seen if isinstance(e, Received)}
        assert told == {f"platelink/v1/{ONE}/checkpoint", last}


def test_units_read_what_the_shop_sends_and_the_shop_what_they_took_of_it(broker):
    sent = ["platelink/v1/shop/_shop/recipes", "platelink/v1/shop/_shop/calibrations/unit-2"]
    with ExitStack() as stack:
        shop = opened(stack, broker, "shop", "platelink/v1/shop/+/took", f"platelink/v1/{TWO}/#")
        two = opened(stack, broker, TWO, "platelink/v1/shop/_shop/#")
        for topic in sent:
            shop.publish(topic, b"text", retain=True)
        seen = heard(two, lambda e: isinstance(e, Received) and e.topic == sent[-1])
        assert {e.topic for e in seen if isinstance(e, Received)} == set(sent)
        two.publish(f"platelink/v1/{TWO}/event", b"not for the shop")
        two.publish(f"platelink/v1/{TWO}/took", b"text", retain=True)
        told = heard(shop, lambda e: isinstance(e, Received))
        assert {e.topic for e in told if isinstance(e, Received)} == {f"platelink/v1/{TWO}/took"}


def test_nobody_takes_over_the_session_of_another(broker):
    """The id of a client is what it says; its user is what it has a password for."""
    with ExitStack() as stack:
        recorder = opened(stack, broker, "recorder", "platelink/v1/+/+/event")
        thief = opened(stack, broker, TWO)  # with the very id of the recorder
        unit = opened(stack, broker, ONE)
        unit.publish(f"platelink/v1/{ONE}/event", b"own")
        assert any(
            isinstance(e, Received) for e in heard(recorder, lambda e: isinstance(e, Received))
        )
        assert not any(isinstance(e, Received) for e in heard(thief, lambda e: False, 0.5))


def test_home_automation_reads_what_units_tell_it_and_no_unit_speaks_for_another(
    tmp_path, monkeypatch
):
    """By the lines of the access list that are comments until they are wanted."""
    shipped = services._shipped

    def uncommented(name: str) -> str:
        return re.sub(r"^#(?=user|topic|pattern)", "", shipped(name), flags=re.M)

    monkeypatch.setattr(services, "_shipped", uncommented)
    service = BrokerService(tmp_path, ONE, TWO, "home")
    service.start()
    try:
        with ExitStack() as stack:
            one, two, home = (
                link_to(service.settings(u), client_id="x") for u in (ONE, TWO, "home")
            )
            for link in (one, two, home):
                link.connect()
                stack.callback(link.close)
                assert heard(link, lambda event: isinstance(event, Connected))
            home.subscribe(["homeassistant/#", f"platelink/v1/{ONE}/#"])
            topic, text = discovery(Topics(*ONE.split("/")), "homeassistant", "1")
            for link, code in ((one, 0), (two, 0x87)):
                link.publish(topic, text.encode(), retain=True)
                answers = heard(link, lambda event: isinstance(event, Acknowledged))
                assert [e.code for e in answers if isinstance(e, Acknowledged)] == [code]
            for kind in ("event", "status"):
                one.publish(f"platelink/v1/{ONE}/{kind}", kind.encode(), retain=True)
            seen = heard(home, lambda e: isinstance(e, Received) and e.topic.endswith("status"))
            told = {e.topic: e.payload for e in seen if isinstance(e, Received)}
            assert told == {topic: text.encode(), f"platelink/v1/{ONE}/status": b"status"}
    finally:
        service.stop()


def test_documented_files_and_users_are_the_shipped_ones():
    commands = documented("broker files")
    for name in re.findall(r"deploy/\S+", commands):
        assert (DOCUMENT.parents[1] / name).is_file()
    assert "deploy/mosquitto.conf /etc/mosquitto/mosquitto.conf\n" in commands  # the only one
    conf = (DOCUMENT.parents[1] / "deploy" / "mosquitto.conf").read_text()
    for place in re.findall(r"/etc/mosquitto/platelink\.\w+", commands):
        assert place in conf
    users = {ONE, TWO, "recorder", "keeper", "reader", "wall"}
    assert set(re.findall(r"passwd (\S+) \"", commands)) == users


def test_the_documented_files_may_be_made_again_and_keep_who_was_added(tmp_path: Path) -> None:
    commands = documented("broker files").replace("/etc/mosquitto", str(tmp_path))
    commands = commands.replace("-g mosquitto ", "").replace("systemctl restart mosquitto", "")
    names = set(re.findall(r"\$(\w+_PASSWORD)", commands))
    env = {**os.environ, **dict.fromkeys(names, "invented")}

    def users() -> set[str]:
        lines = (tmp_path / "platelink.passwd").read_text("utf-8").splitlines()
        return {line.partition(":")[0] for line in lines}

    def make() -> None:
        subprocess.run(["sh", "-e", "-c", commands], check=True, env=env, cwd=DOCUMENT.parents[1])

    make()
    first = users()
    assert {ONE, TWO, "recorder"} <= first
    added = ["mosquitto_passwd", "-b", tmp_path / "platelink.passwd", "shop/unit-3", "invented"]
    subprocess.run(added, check=True)
    (tmp_path / "platelink.acl").write_text("user shop/unit-3\n", "utf-8")
    make()
    assert users() == first | {"shop/unit-3"}
    assert (tmp_path / "platelink.acl~").read_text("utf-8") == "user shop/unit-3\n"
