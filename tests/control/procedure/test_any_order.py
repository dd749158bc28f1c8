"""Operators, faults and crashes in any order: what must hold whatever happens."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from control.procedure.by_hand import OVEN_UNIT, Hands
from control.procedure.plate_bench import NAMES, Bench, plan, short
from platelink.contract.words import PlateAct
from platelink.control.procedure.in_flight import PlatesInFlight
from platelink.control.procedure.outputs import BakeBegun, BakeOver, PlateNoted
from platelink.control.procedure.table import BEGUN, StepState
from platelink.control.states import State
from platelink.control.steps.unswitched import Temperatures
from platelink.recipe.steps import BakeStep, ExposeStep, InspectStep
from platelink.simulated.plates import good_values
from platelink.unit.outputs import RunClosed
from platesim.faults import (
    DeviceResets,
    DoorOpens,
    HostStalls,
    InterlockOpens,
    LeakOpens,
    StopPressed,
    Unplugged,
)
from platesim.vacuum import Leak

PLATES = ("p-1", "p-2")
RECIPE = short(duration_s="3.0")
FAULTS = {
    "leak": LeakOpens(Leak(3.0)), "door": DoorOpens(), "link": Unplugged(),
    "interlock": InterlockOpens(), "stop button": StopPressed(), "stall": HostStalls(0.5),
    "reset": DeviceResets(),
}  # fmt: skip
LASTING = ("leak", "door", "link", "interlock", "stop button")
OBSTACLES = ("no link", "is above its limit", "waits for the exposure bed", "an exposure is")
"""Beginnings of refusals that are not of the plate's own state."""


@dataclass(frozen=True)
class Deed:
    what: str
    plate: str = ""
    act: PlateAct | None = None
    seconds: float = 0.0
    known: bool = False
    """The act is one that a face would offer."""
    pick: int = 0


acts = st.builds(
    Deed, what=st.just("act"), plate=st.sampled_from(PLATES), act=st.sampled_from(PlateAct),
    seconds=st.sampled_from([0.0, 0.3, 2.0, 6.0]), known=st.booleans(), pick=st.integers(0, 7),
)  # fmt: skip
waits = st.builds(Deed, what=st.just("wait"), seconds=st.sampled_from([1.0, 7.0, 20.0]))
faults = st.builds(
    Deed, what=st.sampled_from(list(FAULTS)), seconds=st.sampled_from([0.5, 3.0, 9.0])
)
crashes = st.builds(
    Deed, what=st.sampled_from(["crash", "power cut"]), seconds=st.sampled_from([0.0, 2.0, 8.0])
)
leads = st.builds(Deed, what=st.just("lead"), seconds=st.sampled_from([1.0, 5.0]))
deeds = st.lists(st.one_of(leads, leads, acts, acts, waits, faults, crashes), max_size=24)


def do(bench: Bench, deed: Deed) -> None:
    match deed.what:
        case "act":
            act(bench, deed)
            bench.wait(deed.seconds)
        case "wait":
            bench.wait(deed.seconds)
        case "lead":
            for name in tuple(bench.core.plates.in_flight.plates):
                if name in bench.core.plates.in_flight.plates:
                    lead(bench, name)
            bench.wait(deed.seconds)
        case "crash" | "power cut":
            bench.crash(down_s=deed.seconds, power_cut=deed.what == "power cut")
        case _:
            fault = FAULTS[deed.what]
            bench.unit.inject(fault, for_s=deed.seconds if deed.what in LASTING else None)
    bench.ask_device()


def act(bench: Bench, deed: Deed) -> None:
    in_flight = bench.core.plates.in_flight
    plate = in_flight.plates.get(deed.plate)
    if plate is None:
        return
    told = in_flight.acts(plate, bench.core.busy())
    wanted = deed.act
    assert wanted is not None
    if deed.known and told:
        wanted = told[deed.pick % len(told)]
    values = good_values(plate.step) if isinstance(plate.step, InspectStep) else {}
    refused = bench.act(wanted, deed.plate, reason="why", values=values)
    if wanted not in told:
        assert refused, (wanted, told)
    elif refused:
        assert any(text in refused for text in OBSTACLES), (wanted, told, refused)


def lead(bench: Bench, name: str) -> None:
    plate = bench.plate(name)
    wanted = bench.operator.next_act(plate)
    if wanted is not None:
        values = good_values(plate.step) if isinstance(plate.step, InspectStep) else {}
        bench.act(wanted, name, values=values)


def end_all(bench: Bench) -> None:
    """Somebody mends the unit, and a patient person makes what is left."""
    for name in LASTING:
        bench.unit.undo(FAULTS[name])
    end = bench.simulation.now + 900.0
    while bench.core.plates.in_flight.plates:
        assert bench.simulation.now < end, [
            (p.plan.plate, p.step.name, p.present, bench.texts(p.plan.plate)[-5:])
            for p in bench.core.plates.in_flight.plates.values()
        ]
        for name in tuple(bench.core.plates.in_flight.plates):
            if name in bench.core.plates.in_flight.plates:
                lead(bench, name)
        bench.ask_device()
        bench.wait(1.0)


def judge(bench: Bench) -> None:
    for name in PLATES:
        over: RunClosed = bench.ended(name)
        steps = [str(s["state"]) for s in over.data["steps"]]
        assert [s["name"] for s in over.data["steps"]] == list(NAMES)
        last = {State.COMPLETE: None, State.STOPPED: "stopped", State.ABORTED: "aborted"}[
            over.state
        ]
        done = steps if last is None else steps[: steps.index(last)]
        assert set(done) <= {"complete", "skipped"}, steps
        if last is not None:
            assert set(steps[steps.index(last) + 1 :]) <= {"waiting"}, steps
        every_step_had_its_turn(bench, name)
    # the bakes' runs have ended, and no light's run is open but in the record of a crash
    assert set(bench.runs.values()) <= {"expose"}
    assert not bench.unit.lamp_on


def every_step_had_its_turn(bench: Bench, name: str) -> None:
    """No step is lost: they had their turns in the order of the recipe."""
    turns = [
        int(str(e.data["step"])) for e in bench.events("step", name) if e.data["to"] == "ready"
    ]
    assert turns == list(range(len(turns)))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(deeds)
def test_whatever_happens_to_two_plates(todo: list[Deed]) -> None:
    """Light only in an exposure of one plate, no lost step, exact acts, every plate to an end: the
    bench looks at the first three after each step of time."""
    bench = Bench(recipe=RECIPE).make(*PLATES)
    for deed in todo:
        do(bench, deed)
    end_all(bench)
    judge(bench)


# --- the same without a unit, far more often ---------------------------------------------------

hand_deeds = st.lists(
    st.tuples(
        st.sampled_from(["on", "on", "on", "act", "known", "crash", "trouble", "oven", "time"]),
        st.sampled_from(("p-1", "p-2", "p-3")),
        st.sampled_from(PlateAct),
        st.integers(0, 9),
    ),
    max_size=60,
)


class Shop:
    """Three plates by hand, killed now and then."""

    def __init__(self) -> None:
        self.plans = {name: plan(name, RECIPE) for name in ("p-1", "p-2", "p-3")}
        self.hands = Hands(PlatesInFlight(OVEN_UNIT))
        self.kept: dict[str, dict[str, Any]] = {}
        for one in self.plans.values():
            self.hands.take(self.hands.in_flight.make(one, now=0.0))

    def look(self) -> None:
        in_flight = self.hands.in_flight
        on_bed = [p for p in in_flight.plates.values() if p.on_bed]
        assert len(on_bed) <= 1
        if self.hands.lit:
            assert [p.plan.plate for p in on_bed] == [self.hands.plate_lit]
            assert str(on_bed[0].present.state) == str(self.hands.state)
        for plate in in_flight.plates.values():
            open_runs = [s for s in plate.steps if s.run_open]
            assert all(s.cut or s is plate.present for s in open_runs)
            assert plate.present.state in BEGUN | {StepState.READY}

    def known(self, name: str, pick: int) -> None:
        in_flight = self.hands.in_flight
        plate = in_flight.plates.get(name)
        if plate is None:
            return
        told = in_flight.acts(plate)
        if told:
            self.act(name, told[pick % len(told)])

    def act(self, name: str, act: PlateAct) -> None:
        in_flight = self.hands.in_flight
        plate = in_flight.plates.get(name)
        if plate is None:
            assert self.hands.act(name, act)
            return
        told, kept = in_flight.acts(plate), plate.snapshot()
        values = good_values(plate.step) if isinstance(plate.step, InspectStep) else {}
        refused = self.hands.act(name, act, reason="why", values=values)
        hot = "above its limit" in refused
        assert bool(refused) is (act not in told) or hot, (act, told, refused)
        if refused and not hot:
            assert plate.snapshot() == kept

    def crash(self, pick: int) -> None:
        """What is kept is up to date, or a moment old: nothing was told since."""
        old = self.hands
        kept = old.in_flight.snapshots(everything=True)
        hands = self.hands = Hands(PlatesInFlight(OVEN_UNIT), now=old.now + pick, over=old.over)
        hands.outputs, hands.runs = old.outputs, old.runs
        down_s = None if pick == 9 else float(pick)
        for name, one in kept.items():
            hands.take(
                hands.in_flight.resume(
                    self.plans[name], one, down_s=down_s, away_s=down_s, now=hands.now
                )
            )
        if pick % 2:
            self.account(pick)

    def account(self, pick: int) -> None:
        hands = self.hands
        for plate in tuple(hands.in_flight.plates.values()):
            for step in plate.steps:
                if step.cut:
                    hands.take(hands.in_flight.exposure_recovered(
                        step.runs[-1], 3.0 * pick, 1.0, 0.0, "told", now=hands.now
                    ))  # fmt: skip

    def finish(self) -> None:
        self.account(4)
        limit = 4000
        while self.hands.in_flight.plates:
            limit -= 1
            assert limit
            for plate in tuple(self.hands.in_flight.plates.values()):
                waits = self.hands.in_flight.waiting_for(plate)
                if plate.plan.plate in self.hands.in_flight.plates and not waits:
                    self.hands.on(plate)
            self.look()


@settings(max_examples=150, deadline=None)
@given(hand_deeds)
def test_whatever_is_done_by_hand(todo: list[tuple[str, str, PlateAct, int]]) -> None:
    shop = Shop()
    for what, name, act, pick in todo:
        hands = shop.hands
        plate = hands.in_flight.plates.get(name)
        if what == "on" and plate is not None and not hands.in_flight.waiting_for(plate):
            if not plate.cut and plate.present.state not in (
                StepState.STOPPING, StepState.ABORTING, StepState.HOLDING,
            ):  # fmt: skip
                if isinstance(plate.step, BakeStep) and plate.present.state is StepState.HELD:
                    shop.known(name, 0)
                else:
                    hands.on(plate)
        elif what == "act":
            shop.act(name, act)
        elif what == "known":
            shop.known(name, pick)
        elif what == "crash":
            shop.crash(pick)
        elif what == "trouble" and hands.lit and hands.state is State.RUNNING:
            hands.move(State.HOLDING)
            hands.move(State.HELD)
        elif what == "oven":
            hands.now += 1.0
            reading = (None, 58.0, 73.0, 40.0)[pick % 4]
            found = Temperatures(reading)
            hands.take(hands.in_flight.temperatures(found, t=hands.now, now=hands.now))
        elif what == "time":
            hands.now += float(pick)
            hands.take(hands.in_flight.tick(now=hands.now))
        shop.look()
    shop.finish()
    hands = shop.hands
    assert set(hands.over) == {"p-1", "p-2", "p-3"}
    for name, over in hands.over.items():
        notes = [o for o in hands.outputs if isinstance(o, PlateNoted) and o.plate == name]
        moves = [o.noted.data for o in notes if o.noted.name == "step"]
        turns = [m["step"] for m in moves if m["to"] == "ready"]
        assert turns == list(range(len(turns)))
        for before, after in pairwise(moves):
            same = before["step"] == after["step"]
            assert after["from"] == (before["to"] if same else "waiting")
        for told, step in zip(over.data["steps"], RECIPE.step, strict=True):
            if isinstance(step, ExposeStep) and told["state"] == "complete":
                assert told["dose_mj_cm2"] >= 0.98 * step.dose_mj_cm2 - 0.5
    begun = [o.run_id for o in hands.outputs if isinstance(o, BakeBegun)]
    ended = [o.run_id for o in hands.outputs if isinstance(o, BakeOver)]
    assert sorted(begun) == sorted(ended)
