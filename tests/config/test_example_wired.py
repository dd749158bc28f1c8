"""The example configuration and the wiring page are of one unit."""

import re
from pathlib import Path

import pytest

from platelink.config.load import loads
from platelink.config.show import example

WIRING = " ".join((Path(__file__).parents[2] / "docs" / "wiring.md").read_text("utf-8").split())
CONFIG = loads(example())


def said(pattern: str) -> tuple[float, ...]:
    """Numbers that the wiring page states."""
    found = re.search(pattern, WIRING)
    assert found is not None, pattern
    return tuple(map(float, found.groups()))


def test_oven_and_head_have_the_scale_of_their_amplifiers() -> None:
    (oven,) = said(r"\*\*Oven\.\*\*.*?`mv_per_c = (\d+)`")
    assert said(r"\*\*Oven\.\*\*.*?, (\d+) mV/°C") == (oven,)
    assert CONFIG.oven is not None and CONFIG.head is not None and CONFIG.water is not None
    assert (CONFIG.oven.sensor, CONFIG.oven.mv_per_c, CONFIG.oven.mv_at_0c) == ("linear", oven, 0.0)
    head = said(r"\*\*Head\.\*\* A linear sensor of (\d+) mV/°C with (\d+) mV at 0 °C")
    assert (CONFIG.head.mv_per_c, CONFIG.head.mv_at_0c) == head
    assert "**Water.** The same linear sensor" in WIRING
    assert (CONFIG.water.mv_per_c, CONFIG.water.mv_at_0c) == head


def test_what_the_page_computes_is_what_the_example_reads() -> None:
    sensors = CONFIG.sensors()
    volts, counts = said(r"0 to (\d+) °C in (\d+) counts")
    assert sensors.oven is not None and sensors.head is not None
    assert sensors.oven.temperature_c(counts * 140.0 / volts, None) == pytest.approx(140.0, abs=0.6)
    assert sensors.head.temperature_c(1024 * 0.75 / 5.0, None) == pytest.approx(25.0)  # 750 mV
    low, high = said(r"It reads (\d+) to (\d+) counts")
    assert sensors.vacuum is not None
    assert sensors.vacuum.vacuum_kpa(low) == pytest.approx(0.0, abs=0.2)
    assert sensors.vacuum.vacuum_kpa(high) == pytest.approx(100.0, abs=0.3)
    assert said(r"transmitter: (\d+) Ω") == (CONFIG.vacuum.shunt_ohm,)  # type: ignore[union-attr]


def test_the_example_light_is_of_the_gain_and_pedestal_of_the_page() -> None:
    (pedestal,) = said(r"98 mV, that is (\d+) counts")
    (channel,) = CONFIG.light.channel
    assert channel.dark_counts == pytest.approx(pedestal, abs=2.0)
    top = channel.dark_counts + CONFIG.light.expected_mw_cm2 / channel.slope_mw_cm2_per_count
    assert top == pytest.approx(said(r"reads some (\d+) of 1023 counts")[0], rel=0.05)
