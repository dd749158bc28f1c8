"""The vacuum frame against handbook formulas and printed values."""

from __future__ import annotations

import itertools
import math

import pytest
from scipy.integrate import solve_ivp

from platesim.vacuum import (
    Leak,
    VacuumFrame,
    VacuumParameters,
    atmosphere_kpa_abs,
    flow_function,
)


def course(parameters: VacuumParameters, seconds: float, *, start_kpa: float | None = None,
           pumping: bool = True, step_s: float = 0.1) -> list[float]:  # fmt: skip
    frame = VacuumFrame(parameters)
    if start_kpa is not None:
        frame.pressure_kpa_abs = start_kpa
    return frame.course(0.0, step_s, round(seconds / step_s), pumping=pumping)


@pytest.mark.parametrize(
    ("seconds", "pa"), [(5.0, 68249.859), (12.5, 37907.505), (30.0, 10101.279), (60.0, 1825.649)]
)
def test_pump_down(seconds: float, pa: float) -> None:
    """50 L at 4 L/s from 101325 to 1000 Pa: p_end + (p0 - p_end) exp(-S t / V), the constant-speed
    pump-down of any vacuum handbook; values computed from that definition."""
    tight = VacuumParameters(volume_l=50.0, speed_l_s=4.0, end_kpa_abs=1.0, leaks=())
    assert course(tight, seconds)[-1] * 1000.0 == pytest.approx(pa, abs=0.001)


def test_half_pressure_time() -> None:
    """(V / S) ln 2 = 8.6643 s with p_end = 0."""
    tight = VacuumParameters(volume_l=50.0, speed_l_s=4.0, end_kpa_abs=0.0, leaks=())
    half = course(tight, 8.6643, step_s=8.6643)[-1]
    assert half == pytest.approx(101.325 / 2.0, rel=1e-5)


def test_choked_leak_raises_the_pressure_in_a_straight_line() -> None:
    """V dp/dt = C p_atm while the flow is choked: 0.02 L/s into 8 L is 0.2533 kPa/s. The leak of
    the closed volume from its rise between two readings is by 40 CFR 1065.644."""
    leaky = VacuumParameters(volume_l=8.0, leaks=(Leak(0.02),), vents_when_off=False)
    rise = course(leaky, 60.0, start_kpa=20.0, pumping=False)
    assert rise[-1] - rise[0] == pytest.approx(0.02 * 101.325 / 8.0 * 60.0, rel=1e-9)
    rate_mol_s = 0.008 / 8.314472 * (rise[-1] - rise[0]) * 1e3 / 293.15 / 60.0
    assert rate_mol_s * 8.314472 * 293.15 == pytest.approx(0.02e-3 * 101325.0, rel=1e-9)  # Pa m3/s


def test_pump_against_a_leak_settles_where_they_balance() -> None:
    """S (p - p_end) = C p_atm."""
    leaky = VacuumParameters(speed_l_s=1.6, end_kpa_abs=15.0, leaks=(Leak(0.1),))
    assert course(leaky, 120.0)[-1] == pytest.approx(15.0 + 0.1 * 101.325 / 1.6, abs=1e-6)


def test_flow_function_of_air() -> None:
    """Critical pressure ratio of air 0.528 (any gas dynamics handbook); 1 below, 0 at balance."""
    assert flow_function(0.5) == 1.0
    assert flow_function(0.5283) == pytest.approx(1.0, abs=1e-6)
    assert flow_function(1.0) == 0.0
    falling = [flow_function(0.5283 + 0.05 * k) for k in range(10)]
    assert falling == sorted(falling, reverse=True)


def test_unchoked_leak_agrees_with_a_general_solver() -> None:
    leaky = VacuumParameters(volume_l=8.0, leaks=(Leak(0.2),), vents_when_off=False)
    ours = course(leaky, 30.0, start_kpa=40.0, pumping=False)[-1]
    solved = solve_ivp(
        lambda _, p: [0.2 * 101.325 * flow_function(p[0] / 101.325) / 8.0],
        (0.0, 30.0), [40.0], rtol=1e-9, atol=1e-9,
    )  # fmt: skip
    assert ours == pytest.approx(float(solved.y[0, -1]), abs=0.1)


def test_venting_and_keeping() -> None:
    vents = VacuumParameters(leaks=(), vent_s=1.5)
    keeps = VacuumParameters(leaks=(), vents_when_off=False)
    after = course(vents, 1.5, start_kpa=20.0, pumping=False)[-1]
    assert after == pytest.approx(101.325 - 81.325 * math.exp(-1.0))
    assert course(keeps, 60.0, start_kpa=20.0, pumping=False)[-1] == 20.0


def test_kinds_of_leak() -> None:
    sudden = Leak(0.1, start_s=5.0, end_s=8.0)
    assert [sudden.at(t) for t in (4.9, 5.0, 7.9, 8.0)] == [0.0, 0.1, 0.1, 0.0]
    growing = Leak(0.1, start_s=5.0, growth_l_s2=0.01)
    assert growing.at(15.0) == pytest.approx(0.2)
    fluttering = [Leak(0.1, flutter_hz=1.0).at(k / 20.0) for k in range(20)]
    assert min(fluttering) == pytest.approx(0.0)
    assert max(fluttering) == pytest.approx(0.1)


def test_opened_leak_counts_from_when_it_opened_and_can_be_closed() -> None:
    frame = VacuumFrame(VacuumParameters(leaks=()))
    leak = Leak(0.1, start_s=2.0, end_s=4.0)
    frame.open_leak(leak, 10.0)
    assert [sum(k.at(t) for k in frame.leaks) for t in (11.0, 12.5, 14.5)] == [0.0, 0.1, 0.0]
    frame.close_leak(leak)
    assert frame.leaks == ()


@pytest.mark.parametrize(("metres", "kpa"), [(0.0, 101.325), (1000.0, 89.875), (2000.0, 79.495)])
def test_standard_atmosphere(metres: float, kpa: float) -> None:
    """Tables of the standard atmosphere (ISO 2533), from memory: 898.75 hPa at 1000 m, 794.95 hPa
    at 2000 m."""
    assert atmosphere_kpa_abs(metres) == pytest.approx(kpa, abs=0.01)


def test_altitude_bounds_the_vacuum() -> None:
    """A pump to 0 abs cannot pull more than the local atmosphere: 80.87 kPa (808.7288 mbar, the
    lowest barometer reading of NREL's weather station, January 2022) is 23.882 inHg at most."""
    high = VacuumParameters(atmosphere_kpa_abs=80.87288, end_kpa_abs=0.0, leaks=())
    vacuum_kpa = 80.87288 - course(high, 600.0)[-1]
    assert vacuum_kpa / 3.386388640341 == pytest.approx(23.882, abs=0.0005)


def test_a_vacuum_switch_lets_the_pump_rest_and_resume() -> None:
    """Between its two pressures the frame goes up by its leak and down by the pump."""
    leaky = VacuumParameters(
        rests_at_kpa_abs=25.0, resumes_at_kpa_abs=30.0, leaks=(Leak(0.1),), end_kpa_abs=10.0
    )
    late = course(leaky, 120.0, step_s=0.05)[800:]
    assert min(late) == pytest.approx(25.0, abs=0.3) and max(late) == pytest.approx(30.0, abs=0.3)
    rises = sum(a < 27.5 <= b for a, b in itertools.pairwise(late))
    rise_s = 5.0 / (0.1 * 101.325 / 8.0)
    rest_kpa = 10.0 + 0.1 * 101.325 / 1.6
    fall_s = 5.0 * math.log((30.0 - rest_kpa) / (25.0 - rest_kpa))
    assert rises == pytest.approx(80.0 / (rise_s + fall_s), abs=1.5)


def test_a_pump_reaches_more_as_it_warms() -> None:
    cold = VacuumParameters(
        volume_l=0.5, end_kpa_abs=15.0, warms_by_kpa=4.0, warms_s=20.0, leaks=()
    )
    found = course(cold, 100.0)
    assert found[200] == pytest.approx(15.0 + 4.0 * math.exp(-1.0), abs=0.1)
    assert found[-1] == pytest.approx(15.0, abs=0.1)


def test_the_weather_moves_the_air() -> None:
    frame = VacuumFrame(VacuumParameters(weather_kpa_per_h=-0.6, leaks=()))
    assert frame.atmosphere_kpa_abs(7200.0) == pytest.approx(101.325 - 1.2)
    late = frame.course(7200.0, 1.0, 60, pumping=False)  # vented
    assert late[-1] == pytest.approx(101.325 - 1.21, abs=0.02)


def test_a_blanket_swings_and_comes_to_rest() -> None:
    frame = VacuumFrame(VacuumParameters(bounce_kpa=2.0, bounce_hz=1.0, bounce_s=2.0))
    frame.pump_on_s = 10.0
    assert frame.bounce_kpa(9.9) == 0.0
    assert frame.bounce_kpa(10.0) == 2.0
    assert frame.bounce_kpa(10.5) == pytest.approx(-2.0 * math.exp(-0.25))
    assert frame.bounce_kpa(30.0) == pytest.approx(0.0, abs=1e-4)
