"""A bake in simulated time; its sums against computed tables, SciPy and the simulated oven."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from platelink.control.states import ENDED, TRANSITIONS, ExposureOutput, Noted, Send, State
from platelink.control.steps.bake import Bake
from platelink.control.steps.bake_status import BakeStep
from platelink.control.steps.oven import (
    GAS_CONSTANT_J_MOL_K,
    BakeRequest,
    OvenMeter,
    acceleration,
    share_in_band,
)
from platelink.link import messages as m
from platesim.oven import OvenParameters, OvenState, stepped

REFERENCE_C = 58.5
USP_KJ_MOL = 83.144
"""Activation energy by the convention of USP <1079.2> (recalled): with R = 8.3144 J/(mol K) exactly
10 000 K. No published one is known for drying a plate: equivalent minutes are an index."""
REQUEST = BakeRequest(low_c=56.0, high_c=61.0, in_band_s=600.0, over_c=68.0)


def names(outputs: tuple[ExposureOutput, ...]) -> list[str]:
    return [o.name for o in outputs if isinstance(o, Noted) and o.name != "state"]


def noted(outputs: tuple[ExposureOutput, ...], name: str) -> Noted:
    return next(o for o in outputs if isinstance(o, Noted) and o.name == name)


def begun(request: BakeRequest = REQUEST, now: float = 0.0) -> Bake:
    bake = Bake(request, now=now)
    bake.start(now=now)
    return bake


def run(
    bake: Bake, oven_c: float, t0: float, t1: float, step: float = 1.0
) -> tuple[ExposureOutput, ...]:
    """Readings after t0 up to t1."""
    out: tuple[ExposureOutput, ...] = ()
    for i in range(1, round((t1 - t0) / step) + 1):
        out += bake.reading(oven_c, t=t0 + i * step, now=t0 + i * step)
    return out


def active(bake: Bake) -> set[str]:
    return {c.name for c in bake.conditions() if c.active}


# --- sums against the outside --------------------------------------------------------------


def equivalent_s(pieces: list[tuple[float, float]], reference_c: float, ea: float) -> float:
    """By the meter: (temperature, seconds) one after the other."""
    meter = OvenMeter(
        low_c=0.0, high_c=100.0, gap_limit_s=math.inf, activation_kj_mol=ea, reference_c=reference_c
    )
    t = 0.0
    for temperature_c, seconds in pieces:
        meter.pause()
        meter.add(t, temperature_c)
        t += seconds
        meter.add(t, temperature_c)
    return meter.totals.equivalent_s


# Computed from the definition of the mean kinetic temperature with R = 8.3144 J/(mol K), as in
# USP <1079.2> (recalled; its own examples were not at hand): temperatures, weights, result in °C.
MEAN_KINETIC = [
    ([20.0, 30.0], [1, 1], 26.259887),
    ([4.0, 16.0], [4, 1], 8.108857),
    ([20.0, 25.0], [8, 16], 23.611723),
    ([60.0, 65.0, 70.0], [1, 1, 1], 65.668365),
    ([15.0, 25.0, 35.0], [3, 6, 3], 27.491758),
    ([40.0], [1], 40.0),
]
PUBLISHED = [20.0, 2.0, 25.0], [2, 4, 1], 15.7
"""A published example of the mean kinetic temperature: 2 h, 4 h and 1 h, in °C."""


@pytest.mark.parametrize(("temperatures", "weights", "printed"), MEAN_KINETIC)
def test_equivalent_time_gives_the_mean_kinetic_temperature(
    temperatures: list[float], weights: list[int], printed: float
) -> None:
    """A constant temperature of that mean gives the same equivalent time."""
    ea = USP_KJ_MOL * GAS_CONSTANT_J_MOL_K / 8.3144
    pieces = [(c, 60.0 * w) for c, w in zip(temperatures, weights, strict=True)]
    of_pieces = equivalent_s(pieces, 25.0, ea)
    of_mean = equivalent_s([(printed, 60.0 * sum(weights))], 25.0, ea)
    assert of_pieces == pytest.approx(of_mean, rel=7e-8)  # half a unit of the last digit


def test_the_published_example_of_the_mean_kinetic_temperature() -> None:
    """To its last digit: the constant temperature of the same equivalent time."""
    temperatures, hours, printed = PUBLISHED
    pieces = [(c, 3600.0 * h) for c, h in zip(temperatures, hours, strict=True)]
    rate = equivalent_s(pieces, 20.0, USP_KJ_MOL) / (3600.0 * sum(hours))
    kelvin = 1.0 / (1.0 / 293.15 - math.log(rate) * GAS_CONSTANT_J_MOL_K / (1000.0 * USP_KJ_MOL))
    assert round(kelvin - 273.15, 1) == printed


@pytest.mark.parametrize(
    ("ea", "at_53", "at_63"),
    [(40.0, 0.783002, 1.214326), (83.144, 0.601417, 1.497268), (100.0, 0.542510, 1.624944)],
)
def test_acceleration_factors(ea: float, at_53: float, at_63: float) -> None:
    """Computed from Arrhenius' law with R = 8.314462618 J/(mol K), relative to 58.5 °C."""
    for temperature_c, factor in ((53.0, at_53), (63.0, at_63), (REFERENCE_C, 1.0)):
        mine = acceleration(temperature_c, reference_c=REFERENCE_C, activation_kj_mol=ea)
        assert mine == pytest.approx(factor, abs=6e-7)


def ramp(t: float) -> float:
    return REFERENCE_C - 38.0 * math.exp(-t / 90.0)


@pytest.mark.parametrize(("ea", "seconds"), [(83.144, 433.644), (40.0, 492.261)])
def test_ten_minutes_in_the_oven_are_not_ten_minutes_at_temperature(
    ea: float, seconds: float
) -> None:
    """A ramp of 600 s, T = 58.5 °C - 38 K exp(-t/90 s): computed value, and SciPy's quad."""
    request = BakeRequest(
        low_c=56.0, high_c=61.0, in_band_s=1e4, over_c=72.0, activation_kj_mol=ea,
        reference_c=REFERENCE_C,
    )  # fmt: skip
    bake = begun(request)
    times = np.linspace(0.0, 600.0, 6001)[1:]
    for t in times:
        bake.reading(ramp(t), t=t, now=t)
    status = bake.status()
    by_scipy, _ = quad(
        lambda t: acceleration(ramp(t), reference_c=REFERENCE_C, activation_kj_mol=ea),
        times[0],
        600.0,
    )
    assert status.equivalent_s == pytest.approx(by_scipy, rel=1e-7)
    assert status.equivalent_s == pytest.approx(seconds, abs=0.05)  # the first 0.1 s are not seen
    from_s = -90.0 * math.log((REFERENCE_C - 56.0) / 38.0)  # in the band from here on
    assert status.in_band_s == pytest.approx(600.0 - from_s, abs=1e-3)
    mean, _ = quad(ramp, from_s, 600.0)
    assert status.mean_c == pytest.approx(mean / (600.0 - from_s), abs=1e-3)
    assert status.min_c == pytest.approx(56.0, abs=0.01)
    assert status.max_c == pytest.approx(ramp(600.0))


@pytest.mark.parametrize("to_c", [20.0, 59.0, 90.0])
def test_one_long_line_is_integrated_exactly(to_c: float) -> None:
    """Against SciPy's quad: a straight line of up to 25 K in one interval."""
    meter = OvenMeter(
        low_c=0.0, high_c=1.0, gap_limit_s=100.0, activation_kj_mol=100.0, reference_c=REFERENCE_C
    )
    meter.add(0.0, to_c - 25.0)
    meter.add(60.0, to_c)
    exact, _ = quad(
        lambda t: acceleration(
            to_c - 25.0 + 25.0 * t / 60.0, reference_c=REFERENCE_C, activation_kj_mol=100.0
        ),
        0.0, 60.0, epsrel=1e-13,
    )  # fmt: skip
    assert meter.totals.equivalent_s == pytest.approx(exact, rel=1e-9)


def test_no_energy_no_difference_and_no_kelvin_no_rate() -> None:
    assert acceleration(20.0, reference_c=REFERENCE_C, activation_kj_mol=0.0) == 1.0
    assert acceleration(-273.15, reference_c=REFERENCE_C, activation_kj_mol=50.0) == 0.0
    assert begun().status().equivalent_s is None


TEMPERATURES = st.floats(20.0, 90.0)


@settings(max_examples=80, deadline=None)
@given(
    TEMPERATURES, TEMPERATURES, st.floats(0.1, 5.0),
    st.lists(st.floats(0.01, 0.99), max_size=6),
)  # fmt: skip
def test_splitting_an_interval_changes_no_sum(
    a_c: float, b_c: float, seconds: float, cuts: list[float]
) -> None:
    meters = [
        OvenMeter(
            low_c=60.0, high_c=70.0, gap_limit_s=10.0, activation_kj_mol=60.0, reference_c=65.0
        )
        for _ in range(2)
    ]
    for meter in meters:
        meter.totals.reached = True
        meter.add(0.0, a_c)
    for cut in sorted(set(cuts)):
        meters[1].add(cut * seconds, a_c + cut * (b_c - a_c))
    for meter in meters:
        meter.add(seconds, b_c)
    one, many = (meter.totals for meter in meters)
    assert one.equivalent_s == pytest.approx(many.equivalent_s, rel=1e-7)
    assert one.in_band_s == pytest.approx(many.in_band_s, abs=1e-9)
    assert one.soak_c_s == pytest.approx(many.soak_c_s, rel=1e-12)


@given(TEMPERATURES, TEMPERATURES)
def test_share_in_band_against_counting(a_c: float, b_c: float) -> None:
    line = np.linspace(a_c, b_c, 20001)
    counted = np.mean((line >= 60.0) & (line <= 70.0))
    assert share_in_band(a_c, b_c, 60.0, 70.0) == pytest.approx(counted, abs=2e-4)
    assert share_in_band(a_c, b_c, 60.0, 70.0) == pytest.approx(
        share_in_band(b_c, a_c, 60.0, 70.0), abs=1e-12
    )


# --- a bake --------------------------------------------------------------------------------


def test_minutes_count_only_in_the_band() -> None:
    bake = begun()
    run(bake, 40.0, 0.0, 100.0)
    assert (bake.in_band_s, bake.step) == (0.0, BakeStep.HEATING)
    out = run(bake, 58.0, 100.0, 400.0)
    # one second from 40 to 58 °C, of which 2 of 18 K are in the band
    assert bake.in_band_s == pytest.approx(299.0 + 2.0 / 18.0)
    assert (names(out), bake.step) == (["in band"], BakeStep.IN_BAND)
    assert names(run(bake, 55.0, 400.0, 500.0)) == ["out of band", "oven door open"]
    assert bake.step is BakeStep.OUT_OF_BAND
    out = run(bake, 58.0, 500.0, 900.0)
    assert bake.state is State.COMPLETE
    assert 1.0 > bake.in_band_s - 600.0 >= 0.0
    assert [o.command for o in out if isinstance(o, Send)] == [m.SetOutput(m.Output.BEEPER, 1, 600)]
    ended = noted(out, "bake ended")
    assert ended.data["in_band_s"] == bake.in_band_s
    assert ended.data["elapsed_s"] == bake.status().elapsed_s == pytest.approx(801.0, abs=1.0)
    assert (ended.data["min_c"], ended.data["max_c"]) == (55.0, 58.0)
    assert bake.reading(58.0, t=2000.0, now=2000.0) == ()
    assert bake.status().elapsed_s == ended.data["elapsed_s"]


def test_a_gap_is_not_counted_a_short_one_is_bridged() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 100.0)
    bake.reading(None, t=101.0, now=101.0)
    bake.reading(float("nan"), t=102.0, now=102.0)
    bake.reading(58.0, t=105.0, now=105.0)
    assert bake.in_band_s == pytest.approx(104.0)
    out = bake.reading(58.0, t=110.5, now=110.5)
    assert noted(out, "oven gap").data["gap_s"] == 5.5
    assert (bake.in_band_s, bake.status().gap_s) == (pytest.approx(104.0), 5.5)


def test_a_hold_counts_for_nothing_however_short() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 10.0)
    bake.hold("phone", now=10.0)
    assert (bake.state, bake.reason) == (State.HELD, "phone")
    bake.restart(now=12.0)
    assert bake.reason == ""
    run(bake, 58.0, 12.0, 20.0)
    assert bake.in_band_s == pytest.approx(9.0 + 7.0)


def test_after_a_hold_the_door_is_judged_anew() -> None:
    bake = begun()
    for t in range(1, 40):
        bake.reading(59.0 - 0.5 * t, t=float(t), now=float(t))
    assert active(bake) == {"oven door open"}
    bake.hold("door", now=40.0)
    bake.restart(now=50.0)
    assert active(bake) == set()


def test_readings_that_go_back_or_come_from_the_future_add_nothing() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 10.0)
    bake.reading(58.0, t=10.0, now=10.5)
    bake.reading(58.0, t=4.0, now=10.6)
    bake.reading(58.0, t=4000.0, now=11.0)
    assert bake.in_band_s == pytest.approx(10.0)


def test_a_lost_sensor_is_told_and_comes_back() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 100.0)
    assert bake.next_deadline() == 110.0
    assert bake.tick(now=109.9) == ()
    assert names(bake.tick(now=110.0)) == ["oven sensor lost"]
    assert (active(bake), bake.step) == ({"oven sensor lost"}, BakeStep.BLIND)
    assert bake.tick(now=111.0) == ()
    out = bake.reading(58.0, t=130.0, now=130.0)
    assert names(out) == ["oven sensor back", "oven gap", "in band"]
    assert active(bake) == set()
    assert bake.status().gap_s == 30.0


def test_over_temperature_holds_until_a_person_goes_on() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 100.0)
    assert "oven over-temperature" not in names(run(bake, 73.0, 100.0, 105.0))
    out = run(bake, 73.0, 105.0, 107.0)
    assert "oven over-temperature" in names(out) and bake.state is State.HELD
    assert active(bake) == {"oven over-temperature"}
    text = noted(out, "oven over-temperature").text
    assert "73.0 °C above its limit 68.0 °C for 5 s" in text
    assert names(bake.restart(now=108.0)) == ["refused"]
    counted_s = bake.in_band_s
    run(bake, 58.0, 108.0, 200.0)
    assert (active(bake), bake.in_band_s, bake.next_deadline()) == (set(), counted_s, None)
    assert names(bake.restart(now=200.0)) == ["restarted"]
    assert bake.state is State.RESTARTING
    run(bake, 58.0, 200.0, 210.0)
    assert bake.state is State.RUNNING
    assert bake.in_band_s == pytest.approx(counted_s + 9.0)


def test_a_band_that_is_never_reached_is_told() -> None:
    bake = begun()
    out = run(bake, 50.0, 0.0, 1800.0, step=4.0)
    said = noted(out, "band never reached")
    assert "56.0 to 61.0 °C for 1800 s (highest 50.0 °C)" in said.text
    assert active(bake) == {"oven band never reached"}
    assert bake.state is State.RUNNING  # late is not never
    run(bake, 58.0, 1800.0, 1802.0)
    assert active(bake) == set()


def test_an_oven_that_dies_in_mid_bake_is_told_too() -> None:
    bake = begun()
    run(bake, 58.0, 0.0, 100.0)
    out = run(bake, 30.0, 100.0, 1896.0, step=4.0)
    assert "band never reached" not in names(out)
    assert bake.next_deadline() == 1900.0
    assert "band never reached" in names(run(bake, 30.0, 1896.0, 1900.0, step=4.0))


def test_a_silent_oven_comes_to_both_limits_by_time_alone() -> None:
    bake, out = begun(), []
    while (due := bake.next_deadline()) is not None:
        out += names(bake.tick(now=due))
    assert out == ["oven sensor lost", "band never reached"]


def test_requests_that_mean_nothing_are_refused() -> None:
    good = {"low_c": 54.0, "high_c": 62.0, "in_band_s": 600.0, "over_c": 72.0}
    for bad in (
        {"low_c": 63.0}, {"over_c": 58.0}, {"in_band_s": 0.0}, {"gap_limit_s": math.inf},
        {"over_s": -1.0}, {"activation_kj_mol": math.nan}, {"low_c": -300.0},
    ):  # fmt: skip
        with pytest.raises(ValueError, match="must"):
            BakeRequest(**good | bad)  # type: ignore[arg-type]


# --- against the simulated oven --------------------------------------------------------------


def bake_in_oven(
    request: BakeRequest, open_from_s: float, open_s: float, noise_c: float = 0.1
) -> tuple[Bake, dict[str, list[float]]]:
    """A warm oven, its door open for a while; readings at 20 Hz. When each event was told."""
    parameters = OvenParameters(setpoint_c=58.5, start_c=58.5)
    state = OvenState(58.5, False)
    noise = np.random.default_rng(7)
    bake, told, n = begun(request), {}, 0
    while bake.state not in ENDED and n < 20 * 3600:
        n += 1
        now = n * 0.05
        door_open = open_from_s <= now < open_from_s + open_s
        state = stepped(parameters, state, 0.05, door_open=door_open)
        read_c = state.temperature_c + noise_c * noise.standard_normal()
        for o in bake.reading(read_c, t=now, now=now):
            if isinstance(o, Noted):
                told.setdefault(o.name, []).append(now)
    return bake, told


def test_an_open_door_is_seen_within_half_a_minute_and_its_time_is_not_counted() -> None:
    bake, told = bake_in_oven(REQUEST, 100.0, 120.0)
    assert bake.state is State.COMPLETE
    (opened,), (closed,) = told["oven door open"], told["oven door closed"]
    assert 100.0 < opened < 130.0
    assert 220.0 < closed < 250.0
    assert bake.door_openings == 1
    assert bake.status().elapsed_s > 700.0
    low = bake.status().min_c
    assert low is not None and low < 53.0


def test_a_thermostat_opens_no_door() -> None:
    bake, told = bake_in_oven(REQUEST, math.inf, 0.0)
    assert bake.state is State.COMPLETE
    assert "oven door open" not in told
    assert bake.status().elapsed_s < 605.0


# --- restarts ------------------------------------------------------------------------------


def test_a_restart_of_the_computer_keeps_every_second_in_the_band() -> None:
    request = BakeRequest(
        low_c=56.0, high_c=61.0, in_band_s=600.0, over_c=68.0, activation_kj_mol=USP_KJ_MOL
    )
    bake = begun(request, now=5000.0)
    run(bake, 58.0, 5000.0, 5300.0)
    kept = json.loads(json.dumps(bake.snapshot()))
    before = bake.status()
    after = Bake.from_snapshot(request, kept, down_s=45.0, now=10.0)
    assert after.in_band_s == before.in_band_s
    out = run(after, 58.0, 10.0, 312.0)
    assert names(out)[0] == "bake resumed"
    assert after.state is State.COMPLETE
    data = noted(out, "bake ended").data
    assert data["gap_s"] == 45.0
    assert data["elapsed_s"] == pytest.approx(300.0 + 45.0 + 302.0, abs=1.0)
    assert data["in_band_s"] == pytest.approx(600.0, abs=1.0)
    assert data["equivalent_s"] == pytest.approx(
        600.0 * acceleration(58.0, reference_c=58.5, activation_kj_mol=USP_KJ_MOL), rel=0.002
    )


def test_a_wait_for_the_band_goes_on_across_a_restart_and_is_told_once() -> None:
    bake = begun()
    run(bake, 40.0, 0.0, 1000.0, step=4.0)
    after = Bake.from_snapshot(REQUEST, bake.snapshot(), down_s=100.0, now=5000.0)
    run(after, 40.0, 5000.0, 5696.0, step=4.0)
    assert after.next_deadline() == 5700.0
    assert names(run(after, 40.0, 5696.0, 5700.0)) == ["band never reached"]
    again = Bake.from_snapshot(REQUEST, after.snapshot(), down_s=0.0, now=0.0)
    assert names(again.reading(40.0, t=1.0, now=1.0)) == ["bake resumed"]
    assert active(again) == {"oven band never reached"}


def test_a_snapshot_of_another_format_is_an_error() -> None:
    kept = begun().snapshot()
    with pytest.raises(ValueError, match="format 2"):
        Bake.from_snapshot(REQUEST, kept | {"format": 2}, down_s=0.0, now=0.0)


# --- any order -----------------------------------------------------------------------------

SHORT = BakeRequest(
    low_c=60.0, high_c=70.0, in_band_s=40.0, over_c=80.0, over_s=2.0, band_limit_s=60.0
)
DEEDS = st.lists(
    st.tuples(
        st.sampled_from(["read"] * 6 + ["tick", "start", "hold", "restart", "crash", "stop"]),
        st.sampled_from([0.0, 0.5, 1.0, 4.0, 6.0, 30.0]),
        st.sampled_from([65.0, 65.0, 66.0, 50.0, 85.0, None, math.nan]),
        st.floats(-2.0, 1.0),
    ),
    max_size=40,
)


@settings(max_examples=100, deadline=None)
@given(DEEDS)
def test_in_any_order_minutes_never_fall_and_never_pass_wall_time(
    deeds: list[tuple[str, float, float | None, float]],
) -> None:
    bake = Bake(SHORT, now=0.0)
    bake.start(now=0.0)
    now, wall_s, in_band_s, state = 0.0, 0.0, 0.0, State.RUNNING
    for what, dt, oven_c, early in deeds:
        now += dt
        wall_s += dt
        out: tuple[ExposureOutput, ...] = ()
        if what == "read":
            out = bake.reading(oven_c, t=now + early, now=now)
        elif what == "crash":
            kept = json.loads(json.dumps(bake.snapshot()))
            bake, now = Bake.from_snapshot(SHORT, kept, down_s=None, now=3.0), 3.0
            assert bake.state is state
        elif what in ("hold", "stop"):
            out = getattr(bake, what)("why", now=now)
        else:
            out = getattr(bake, what)(now=now)
        for o in out:
            if isinstance(o, Noted) and o.name == "state":
                assert o.data["from"] == state
                assert State(o.data["to"]) in TRANSITIONS[state]
                state = State(str(o.data["to"]))
        assert bake.state is state
        due = bake.next_deadline()
        assert due is None or due > now or what == "crash"
        totals = bake.status()
        assert in_band_s <= totals.in_band_s <= wall_s + 1e-9
        assert totals.in_band_s + totals.gap_s <= wall_s + 1e-9
        in_band_s = totals.in_band_s
        assert (state is State.COMPLETE) <= (in_band_s >= SHORT.in_band_s)
    bake.abort("over", now=now)
    assert bake.state in ENDED
    assert bake.next_deadline() is None and active(bake) == set()
