"""A plate to be made again on a unit whose vacuum and oven are told by instruments on a bus."""

from __future__ import annotations

from typing import Any

from config.test_config_load import MINIMAL, VACUUM

from instruments.bus_shop import BUS
from platelink.api.remaking import _Calibrations, _gauge, _oven
from platelink.config.load import loads
from platelink.config.model import effective


def reach_c(config: Any) -> tuple[float, float] | None:
    return _oven(config, [], [], _Calibrations()).reach_c


def test_its_gauge_and_oven_are_those_on_the_bus() -> None:
    config = effective(loads(MINIMAL + BUS))
    gauge = _gauge(config)
    assert gauge is not None and gauge.reach_problem(90.0) == ""
    assert reach_c(config) == (0.0, 200.0)


def test_without_a_bus_they_are_the_devices_own_or_none() -> None:
    own = _gauge(effective(loads(MINIMAL + VACUUM)))
    assert own is not None and own.highest_vacuum_kpa() == 100.0
    config = effective(loads(MINIMAL))
    assert _gauge(config) is None and reach_c(config) is None
