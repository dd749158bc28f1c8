"""The core and time: deadlines that lie ahead, bytes in any pieces, samples not kept for long."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from platelink.contract.unit import JournalNow
from platelink.control.light.exposure import Exposure
from platelink.control.states import ENDED, State
from platelink.events.steps import StageEnded
from platelink.link import messages as m
from platelink.link.framing import Decoder, Frame, encode_raw
from platelink.sensing.readings import Quality, Reading
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.core import Core
from platelink.unit.job import Job
from platelink.unit.outputs import CoreOutput, EventNoted, RunEnded, RunSampled, Snapshots
from platelink.unit.plate_view import status_now, unit_status
from platelink.unit.sample_buffer import BLOCK_S, SampleBuffer
from platelink.unit.stamp import Stamp
from platelink.unit.view import event_now, number
from platesim.faults import (
    DeviceResets,
    GarbageSent,
    HostStalls,
    InterlockOpens,
    LeakOpens,
    StopPressed,
    Unplugged,
)
from platesim.vacuum import Leak
from unit.unit_core import (
    CONTACT,
    DOSE,
    FADED,
    exposure,
    request,
    simulate,
    start,
    until,
    until_light,
)

STRICT = json.JSONEncoder(allow_nan=False).encode


class Watched(Simulation):
    """Looks at the core after every input: its deadline, and what faces are told."""

    def shown(self) -> Any:
        journal = JournalNow(pending=0, fault="")
        status = status_now(self.core, "unit-1", journal=journal, at=self.stamp)
        return status.model_dump(mode="json")

    def watch(self) -> None:
        now = self.now
        STRICT(self.shown())
        for _ in range(4):  # an answer to a tick may be due at once; a fourth is a busy loop
            due = self.core.next_deadline()
            if due is None or due > now:
                return
            self._take(self.core.tick(at=self.stamp))
        raise AssertionError(f"due {due} at {now}: {self.shown()}")

    def step(self, end: float) -> None:
        super().step(end)
        self.watch()

    def _take(self, outputs: tuple[CoreOutput, ...]) -> None:
        super()._take(outputs)
        for output in outputs:
            if isinstance(output, EventNoted):
                STRICT(event_now(output).model_dump(mode="json"))


FAULTS = {
    "lid": (InterlockOpens(), 2.0),
    "stop button": (StopPressed(), 0.5),
    "unplug": (Unplugged(), 3.0),
    "unplug long": (Unplugged(), 25.0),
    "reset": (DeviceResets(), None),
    "leak": (LeakOpens(Leak(1.5)), 3.0),
    "stall": (HostStalls(0.7), None),
    "garbage": (GarbageSent(3000), None),
}
ACTION = st.sampled_from([*FAULTS, "hold", "restart", "stop", "abort", "expose", "replug", "wait"])


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(st.tuples(ACTION, st.floats(0.01, 9.0)), max_size=10),
    st.integers(1, 1000),
    st.booleans(),
)
def test_the_next_deadline_is_never_past_whatever_happens(
    actions: list[tuple[str, float]], seed: int, contact: bool
) -> None:
    lossy = replace(FADED, wire=replace(FADED.wire, loss=0.1))
    plain = simulate(lossy, seed)
    simulation = Watched(plain.unit, make_core(lossy, expected_mw_cm2=7.0))
    limits = {"contact": CONTACT if contact else None}
    start(simulation, **limits)
    for n, (action, seconds) in enumerate(actions):
        if action in FAULTS:
            fault, for_s = FAULTS[action]
            simulation.unit.inject(fault, for_s=for_s)
        elif action == "expose":
            simulation.expose(Job(f"run-{n + 2}", "film", request(**limits)))
        elif action == "replug":
            stamp = simulation.stamp
            simulation._take(simulation.core.port_lost("unplugged", at=stamp))
            simulation.watch()
            simulation.unit.read()
            simulation._take(simulation.core.port_opened(at=stamp))
        elif action != "wait":
            simulation.command(action, "asked")
        simulation.watch()
        simulation.run(lambda: False, seconds)
    if simulation.core.bed.exposure and simulation.core.bed.exposure.state not in ENDED:
        simulation.command("abort", "the end of the test")
        simulation.run(lambda: exposure(simulation).state in ENDED, 400.0)
        assert exposure(simulation).state in ENDED


@pytest.mark.parametrize("gone", ["light", "held", "tail", "contact"])
def test_with_the_port_gone_the_core_sleeps(gone: str) -> None:
    """The port is closed, not only silent: nothing can be sent, whatever is due."""
    simulation = simulate()
    start(simulation, contact=CONTACT)
    if gone != "contact":
        until_light(simulation)
    if gone == "held":
        simulation.command("hold", "asked")
        simulation.run(lambda: exposure(simulation).state is State.HELD, 10.0)
    if gone == "tail":
        simulation.run(lambda: exposure(simulation).step == "tail", 60.0)
    core, now = simulation.core, simulation.now
    core.port_lost("unplugged", at=Stamp(now, 0))
    ticks, end = 0, now + 120.0
    while (due := core.next_deadline()) is not None and due < end:
        now = max(now, due)
        core.tick(at=Stamp(now, 0))
        ticks += 1
        assert ticks < 15, (now, due, exposure(simulation).state)
    assert exposure(simulation).state in (State.ABORTED, State.HELD)


# --- bytes in any pieces ---------------------------------------------------------------------


Call = Callable[[Core], tuple[CoreOutput, ...]]


class Taped(Simulation):
    """Keeps every input of the core, so that it can be given again."""

    def __init__(self, *arguments: object) -> None:
        self.tape: list[tuple[bytes, float, Call | None]] = []
        super().__init__(*arguments)  # type: ignore[arg-type]

    def step(self, end: float) -> None:
        core, unit, now, at = self.core, self.unit, self.now, self.stamp
        data = unit.read()
        if data:
            self.tape.append((data, now, None))
            self._take(core.receive(data, at=at))
        due = core.next_deadline()
        if due is not None and due <= now:
            self.tape.append((b"", now, lambda c: c.tick(at=at)))
            self._take(core.tick(at=at))
        if sent := core.data_to_send():
            unit.write(sent)
        due = core.next_deadline()
        wait_s = 0.25 if due is None else min(0.25, due - now)
        unit.advance_to_data(max(1e-4, min(wait_s, end - now)))


def told(outputs: list[CoreOutput]) -> list[object]:
    """What would be recorded, comparable."""
    return [
        (o.run_id, o.block.ticks.tolist(), o.block.at_utc_ms.tolist(),
         o.block.values["dose_mj_cm2"].tolist(), o.block.raw["light_sum_0"].tolist())
        if isinstance(o, RunSampled)
        else o
        for o in outputs
        if not isinstance(o, Snapshots)
    ]  # fmt: skip


def taped() -> Taped:
    """An exposure with a leak, a hold and a reset, over a lossy line."""
    parameters = replace(FADED, wire=replace(FADED.wire, loss=0.05, corruption=0.02, garbage=0.02))
    plain = simulate(parameters, 5)
    simulation = Taped(plain.unit, make_core(parameters, expected_mw_cm2=7.0))
    simulation.run(lambda: False, 4.0)

    def both(call: Call) -> None:
        simulation.tape.append((b"", simulation.now, call))
        simulation._take(call(simulation.core))

    stamp = simulation.stamp
    job = Job("run-1", "film", request())
    both(lambda core: core.expose(job, at=stamp))
    both(lambda core: core.start(at=stamp))
    until_light(simulation)
    hold = simulation.stamp
    both(lambda core: core.command("hold", "asked", at=hold))
    simulation.run(lambda: exposure(simulation).state is State.HELD, 10.0)
    simulation.unit.inject(DeviceResets())
    simulation.run(lambda: False, 3.0)
    again = simulation.stamp
    both(lambda core: core.command("restart", "", at=again))
    assert simulation.run(lambda: simulation.ended is not None, 60.0)
    return simulation


TAPED = taped()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 150), min_size=1, max_size=20))
def test_any_split_of_the_bytes_gives_the_same_record(lengths: list[int]) -> None:
    core = make_core(FADED, expected_mw_cm2=7.0)
    start_ms = 1_893_456_000_000
    outputs = list(core.port_opened(at=Stamp(0.0, start_ms)))
    pieces = itertools.cycle(lengths)
    for data, now, call in TAPED.tape:
        if call is not None:
            outputs += call(core)
        begin = 0
        while begin < len(data):
            end = begin + next(pieces)
            at_ms = start_ms + round(now * 1000.0)
            outputs += core.receive(data[begin:end], at=Stamp(now, at_ms))
            begin = end
        core.data_to_send()
    assert told(outputs) == told(TAPED.outputs)
    assert any(isinstance(o, RunEnded) for o in outputs)


# --- samples in hand -------------------------------------------------------------------------


def reading(t: float, ticks: int) -> Reading:
    return Reading(t, ticks, 50, 0, 5.0, (5.0,), None, None, math.nan, None, 3, Quality(0))


def sample(ticks: int) -> m.Sample:
    values = dict.fromkeys(m.Sample._fields, 0)
    values |= {"tick": ticks, "light_sum": (ticks, 0, 0, 0), "light_count": (ticks, 0, 0, 0)}
    values |= {"light_min": (0, 0, 0, 0), "light_max": (9, 0, 0, 0)}
    return m.Sample(**values)


@settings(max_examples=60)
@given(st.lists(st.floats(0.0, 3.0), min_size=1, max_size=60))
def test_no_sample_is_kept_longer_than_its_limit(gaps: list[float]) -> None:
    """What kill -9 may cost: the samples since the last block, at most a second of them."""
    recording = SampleBuffer("run-1", 1, at=Stamp(0.0, 1000))
    t, ticks, snapshots, written = 0.0, 0, [], []
    for gap in gaps:
        due = recording.deadline()
        assert (due is None) == (not snapshots)
        if due is not None and due <= t + gap:
            assert due <= snapshots[0] + BLOCK_S
            block = recording.take()
            assert block is not None and len(block.block) == len(snapshots)
            written += block.block.ticks.tolist()
            snapshots = []
            assert recording.deadline() is None and recording.take() is None
        t += gap
        ticks += max(1, round(gap * 1000))
        recording.add(sample(ticks), reading(t, ticks), 1.0, 1e-3, True)
        snapshots.append(t)
        assert t - snapshots[0] <= BLOCK_S
    last = recording.take()
    assert last is not None
    written += last.block.ticks.tolist()
    assert written == sorted(set(written)) and len(written) == len(gaps)


def test_a_running_core_holds_less_than_a_second() -> None:
    simulation = simulate()
    start(simulation)
    blocks = 0
    while exposure(simulation).state not in ENDED:
        simulation.step(simulation.now + 1.0)
        due = simulation.core.recording.deadline()
        assert due is None or simulation.now <= due + 0.06  # a frame more
        found = [o for o in simulation.outputs if isinstance(o, RunSampled)]
        blocks = max(blocks, len(found))
    assert blocks > 5
    assert isinstance(simulation.core.bed.exposure, Exposure)


@settings(max_examples=200)
@given(
    st.lists(st.tuples(st.integers(0, 1 << 40), st.floats(-5.0, 5.0), st.booleans()), max_size=40)
)
def test_ticks_and_stamps_of_a_run_only_grow(steps: list[tuple[int, float, bool]]) -> None:
    """Whatever the device counts and whatever the clock map says."""
    recording = SampleBuffer("run-1", 1, at=Stamp(0.0, 1_893_456_000_000))
    t = 0.0
    for ticks, dt, told_of_it in steps:
        t += dt
        if told_of_it:
            recording.device_restarted(ticks, t)
        recording.add(sample(ticks), reading(t, ticks), 0.0, 1e-3, False)
    block = recording.take()
    if block is not None:
        for column in (block.block.ticks.tolist(), block.block.at_utc_ms.tolist()):
            assert column == sorted(set(column))


# --- what faces are told ---------------------------------------------------------------------


def test_numbers_for_json() -> None:
    assert number(1.23456) == 1.2346
    assert [number(v) for v in (None, math.nan, math.inf, -math.inf)] == [None] * 4


def test_an_event_with_odd_numbers() -> None:
    odd = StageEnded("text", math.nan, math.inf, 2.00001, 3, "early", None, None, None, None)
    line = event_now(EventNoted("run-1", 1_893_456_000_123, odd, "text", 5)).model_dump(mode="json")
    STRICT(line)
    assert line["at_utc"] == "2030-01-01T00:00:00.123+00:00"
    assert line["name"] == "stage ended"
    assert line["data"] == {
        "name": "text", "planned_s": None, "actual_s": None, "held_s": 2.0, "unattended_s": 3,
        "verdict": "early", "who": None, "water_mean_c": None, "water_min_c": None,
        "water_max_c": None,
    }  # fmt: skip


def frames_in(simulation: Simulation, seconds: float) -> int:
    def frames() -> int:
        return unit_status(simulation.core, now=simulation.now).link.frames

    before = frames()
    simulation.run(lambda: False, seconds)
    return frames() - before


def at_rest() -> Simulation:
    """A unit whose clock is known, and on which nothing goes on."""
    simulation = simulate()
    simulation.run(lambda: simulation.core.up, 5.0)
    simulation.run(lambda: False, 60.0)
    return simulation


def test_frames_come_as_often_as_they_are_needed() -> None:
    """20 a second in an exposure and until the device's clock is known, 5 otherwise."""
    simulation = simulate()
    simulation.run(lambda: simulation.core.up, 5.0)
    assert frames_in(simulation, 5.0) >= 100
    simulation.run(lambda: False, 60.0)
    assert frames_in(simulation, 10.0) == 50
    simulation.expose(Job("run-1", "film", request()))
    until_light(simulation)
    assert frames_in(simulation, 2.0) >= 40
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.001)
    simulation.run(lambda: False, 5.0)  # a question after the run is answered
    assert frames_in(simulation, 10.0) == 50
    simulation.unit.inject(DeviceResets())  # another clock
    simulation.run(lambda: False, 2.0)
    assert frames_in(simulation, 5.0) >= 100


def test_frames_are_asked_for_until_the_device_answers() -> None:
    simulation = at_rest()
    write, deaf = simulation.unit.write, True

    def without_set_frame(data: bytes) -> None:
        for piece in Decoder().feed(data):
            assert isinstance(piece, Frame)
            if not (deaf and piece.type == m.CODES[m.SetFrame]):
                write(encode_raw(piece.type, piece.payload, piece.seq))

    simulation.unit.write = without_set_frame
    simulation.expose(Job("run-1", "film", request(max_light_s=600.0)))
    assert frames_in(simulation, 3.0) < 30  # replies among them
    deaf = False
    simulation.run(lambda: False, 2.0)
    assert frames_in(simulation, 2.0) >= 40


def test_light_that_nobody_owns_is_looked_at_often() -> None:
    """A daemon that finds the lamps on follows them closely until they are off."""
    simulation = at_rest()
    simulation.core.recovering = True
    command = m.Arm(9, (1, 0, 0, 0), 0, 2**40, 5000, 0xFFFF, m.SilencePolicy.FINISH)
    simulation.core.session.send(command, now=simulation.now)
    simulation.core.session.send(m.Open(9), now=simulation.now)
    assert simulation.run(lambda: simulation.unit.lamp_on, 2.0)
    simulation.run(lambda: False, 0.5)
    assert frames_in(simulation, 2.0) >= 40


def test_a_lost_link_is_measured_from_its_last_frame() -> None:
    """It is called a second after it was found silent, by the look before: twice a second."""
    simulation = at_rest()
    simulation.unit.inject(Unplugged(), for_s=10.0)
    simulation.run(lambda: False, 5.0)
    (called,) = (
        o.data for o in simulation.outputs
        if isinstance(o, EventNoted) and o.data.get("alarm") == "link lost"
    )  # fmt: skip
    assert called["limit"] == 1.0
    assert 1.4 <= called["value"] <= 2.0
