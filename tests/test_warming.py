"""How much stronger lamps may become while nobody sees them, against the project's own lamps."""

from __future__ import annotations

import math

import pytest

from platelink.warming import STRIKE_S, may_rise, warmed
from platesim.lamps import LampBank, LampParameters
from platesim.scenarios import SCENARIOS


def simulated(parameters: LampParameters, struck_s: float) -> float:
    return 1.0 - sum(share * math.exp(-struck_s / tau) for share, tau in parameters.warmup)


@pytest.mark.parametrize("name", ["cold", "faded", "fresh"])
@pytest.mark.parametrize("strike_s", [0.4, 2.5, 4.9])
def test_no_simulated_lamp_rises_further(name: str, strike_s: float) -> None:
    """Whenever they were last seen, and for however long nobody looked."""
    lamps = SCENARIOS[name].parameters.lamps
    for lit_s in (5.0, 5.5, 6.0, 8.0, 12.0, 20.0, 45.0, 90.0, 300.0):
        for later_s in (0.1, 0.5, 2.0, 10.0, 45.0, 600.0):
            seen = simulated(lamps, lit_s - strike_s)
            later = simulated(lamps, lit_s - strike_s + later_s)
            assert later / seen <= may_rise(lit_s, later_s), (lit_s, later_s)


def test_the_rise_of_cold_lamps_of_the_bank_itself_is_bounded() -> None:
    """By the bank's own light, switched on cold: at its strike it gives 0.40 of its output, and
    rises by 2.5."""
    from dataclasses import replace

    import numpy as np

    quiet = replace(SCENARIOS["cold"].parameters.lamps, noise_fraction=0.0, strike_jitter_s=0.0)
    bank = LampBank(quiet)
    bank.switch(True, 0.0)

    def level(t: float) -> float:
        light = bank.light(t, np.array([[0.0]]))
        assert light is not None
        return float(light.bed_envelope[0, 0])

    first, full = level(quiet.strike_cold_s + 0.001), level(3000.0)
    assert full / first == pytest.approx(2.5, rel=0.01)
    assert full / first <= 1.0 / warmed(0.0)
    seen = level(quiet.strike_cold_s + 0.001 + (STRIKE_S - quiet.strike_cold_s))
    assert level(STRIKE_S + 2.0) / seen <= may_rise(STRIKE_S, 2.0)


def test_it_rises_with_time_and_ends() -> None:
    assert may_rise(10.0, 0.0) == 1.0 == may_rise(10.0, -1.0)
    rises = [may_rise(10.0, later_s) for later_s in (1.0, 10.0, 100.0, 1e4)]
    assert rises == sorted(rises)
    assert rises[-1] == pytest.approx(1.0 / warmed(5.0))
    assert may_rise(1e4, 1e4) == pytest.approx(1.0)
