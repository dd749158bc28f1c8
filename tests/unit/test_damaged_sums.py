"""Light sums that cannot be, in frames whose CRC is good: refused and told, never integrated."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from platelink.control.states import State
from platelink.link import messages as m
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted, Refused, RunSampled
from platelink.unit.plate_view import unit_status
from platelink.unit.view import light_now
from platesim.faults import RelayWelds
from unit.test_core_odd import OddWire
from unit.unit_core import DOSE, exposure, simulate, start, texts, until, until_light, when

Sums = tuple[int, int, int, int]


def flipped(sums: Sums, bit: int) -> Sums:
    return (sums[0] ^ 1 << bit, *sums[1:])


class Damage:
    """Flips a bit in the light sums of the next ``frames`` samples, or accounts of an order."""

    def __init__(self, simulation: Simulation) -> None:
        self.samples = self.reports = 0
        self.bit = 20
        OddWire(simulation, self.change)

    def change(self, message: object) -> object:
        if isinstance(message, m.Sample) and self.samples:
            self.samples -= 1
            return message._replace(light_sum=flipped(message.light_sum, self.bit))
        if isinstance(message, m.OrderReport) and self.reports:
            self.reports -= 1
            return message._replace(close_sum=flipped(message.close_sum, self.bit))
        return message


def refusals(simulation: Simulation) -> list[tuple[object, object]]:
    events = [o.event for o in simulation.outputs if isinstance(o, EventNoted)]
    return [(e.refused, e.in_a_row) for e in events if e.name == "light sums refused"]


def exposed(harm: Callable[[Damage], None] | None = None) -> Simulation:
    simulation = simulate()
    damage = Damage(simulation)
    start(simulation)
    until_light(simulation)
    if harm is not None:
        harm(damage)
    until(simulation, State.COMPLETE)
    return simulation


@pytest.fixture(scope="module")
def sound_mj_cm2() -> float:
    simulation = exposed()
    assert refusals(simulation) == []
    assert simulation.ended is not None
    return simulation.ended.dose_mj_cm2


@pytest.mark.parametrize("bit", [20, 21, 33, 47, 62, 63])
def test_a_flipped_bit_in_light_changes_no_dose(bit: int, sound_mj_cm2: float) -> None:
    def harm(damage: Damage) -> None:
        damage.bit, damage.samples = bit, 1

    simulation = exposed(harm)
    assert refusals(simulation) == [(1, 1)]
    assert simulation.ended is not None
    assert simulation.ended.dose_mj_cm2 == pytest.approx(sound_mj_cm2, rel=5e-4)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
    blocks = [o.block for o in simulation.outputs if isinstance(o, RunSampled)]
    assert blocks
    sums = [int(value) for block in blocks for value in block.raw["light_sum_0"]]
    assert sums == sorted(sums)  # what cannot be is not recorded as measured


def test_damage_in_the_last_frames_of_light_moves_no_target() -> None:
    """The order's sum goes on in them while the dose does not: a target made of both is late."""
    true_mj_cm2 = []
    for frames in (0, 3):
        simulation = simulate()
        damage = Damage(simulation)
        start(simulation)
        until_light(simulation)
        when(simulation, lambda e: e.status().remaining_s < 0.2, 60.0)
        damage.samples = frames
        until(simulation, State.COMPLETE)
        true_mj_cm2.append(simulation.unit.true_dose_mj_cm2())
    assert true_mj_cm2[1] == pytest.approx(true_mj_cm2[0], rel=5e-4)


def test_an_account_with_a_flipped_bit_is_asked_for_again(sound_mj_cm2: float) -> None:
    def harm(damage: Damage) -> None:
        damage.bit, damage.reports = 40, 1

    simulation = exposed(harm)
    assert refusals(simulation) == [(1, 0)]
    assert simulation.ended is not None
    assert simulation.ended.dose_mj_cm2 == pytest.approx(sound_mj_cm2, rel=5e-4)
    assert simulation.ended.device_dose_mj_cm2 is not None


def test_damage_that_lasts_holds_the_light_and_says_so() -> None:
    simulation = simulate()
    damage = Damage(simulation)
    start(simulation)
    until_light(simulation)
    damage.bit, damage.samples = 44, 60
    until(simulation, State.HELD, 10.0)
    assert not simulation.unit.lamp_on
    assert "light sums of 5 samples in a row are impossible" in exposure(simulation).status().reason
    assert refusals(simulation) == [(1, 1), (5, 5)]
    held_mj_cm2 = exposure(simulation).dose_mj_cm2
    assert held_mj_cm2 == pytest.approx(simulation.unit.true_dose_mj_cm2(), rel=0.05)
    assert simulation.run(lambda: damage.samples == 0, 10.0)
    simulation.run(lambda: False, 2.0)  # the sums go back to what they were, and are taken again
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


@pytest.mark.parametrize("account", [True, False])
def test_damage_that_stays_has_a_bound_and_waits_for_a_persons_word(account: bool) -> None:
    simulation = simulate()
    damage = Damage(simulation)
    start(simulation)
    until_light(simulation)
    damage.bit, damage.samples, damage.reports = 44, 10_000, 0 if account else 10_000
    until(simulation, State.HELD, 6.0)
    held, true = exposure(simulation), simulation.unit.true_dose_mj_cm2()
    unknown = held._tally.unknown_mj_cm2
    assert held.dose_mj_cm2 <= true + 0.05
    assert true <= held.dose_mj_cm2 + unknown
    assert unknown < 4.0
    damage.samples = damage.reports = 0
    simulation.run(lambda: False, 3.0)
    simulation.command("restart", "looks well")
    assert held.status().asks_what_fell
    simulation.command("restart", "lamps on")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.05)


def test_light_is_not_known_while_sums_are_refused_and_is_no_light_left_on() -> None:
    simulation = simulate()
    damage = Damage(simulation)
    start(simulation)
    until_light(simulation)
    damage.bit, damage.samples = 44, 10_000
    simulation.run(lambda: False, 1.2)
    assert not simulation.unit.lamp_on
    light = light_now(unit_status(simulation.core, now=simulation.now).light)
    assert (light.state, light.measured, light.left_on) == ("unknown", False, False)
    until(simulation, State.HELD, 6.0)
    damage.samples = 0
    simulation.run(lambda: False, 2.0)
    assert light_now(unit_status(simulation.core, now=simulation.now).light).state == "dark"
    assert not any("still on" in text for text in texts(simulation))


def test_light_that_was_left_on_is_not_over_because_sums_are_refused() -> None:
    simulation = simulate()
    damage = Damage(simulation)
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(RelayWelds())
    simulation.command("hold")
    assert simulation.run(lambda: simulation.core.bed.watch.left_on, 5.0)
    damage.bit, damage.samples = 44, 40
    simulation.run(lambda: damage.samples == 0, 5.0)
    assert simulation.core.bed.watch.left_on
    simulation.unit.undo(RelayWelds())
    assert simulation.run(lambda: not simulation.core.bed.watch.left_on, 2.0)


class OtherBits(Damage):
    """No two samples alike."""

    def change(self, message: object) -> object:
        self.bit = 40 + (self.bit + 7) % 23
        return super().change(message)


def calls(simulation: Simulation) -> bool:
    alarms = simulation.core.alarms.status().alarms
    return any(a.name == "light sums damaged" and a.active for a in alarms)


def test_damage_that_lasts_for_seconds_calls_a_person() -> None:
    simulation = simulate()
    damage = OtherBits(simulation)
    start(simulation)
    until_light(simulation)
    damage.samples = 30  # 1.5 s
    simulation.run(lambda: calls(simulation), 6.0)
    assert not calls(simulation)
    damage.samples = 100_000
    assert simulation.run(lambda: calls(simulation), 6.0)
    (alarm,) = (a for a in simulation.core.alarms.status().alarms if a.name == "light sums damaged")
    assert "check the cable" in alarm.next_act
    damage.samples = 0
    assert simulation.run(lambda: not calls(simulation), 10.0)


def test_an_order_number_at_its_end_is_refused_before_any_light() -> None:
    simulation = simulate()

    def change(message: object) -> object:
        is_sample = isinstance(message, m.Sample)
        return message._replace(order=0xFFFF_FFFF) if is_sample else message  # type: ignore[attr-defined]

    OddWire(simulation, change)
    start(simulation)
    refused = [o.text for o in simulation.outputs if isinstance(o, Refused)]
    assert refused == ["the device's numbers of orders are used up; switch the device off and on"]
    assert not simulation.unit.lamp_on


def test_where_the_good_sums_were_the_odd_ones_it_is_counted_anew_in_the_dark() -> None:
    """The very first sample is damaged: nothing tells that before the second."""
    simulation = simulate()
    damage = Damage(simulation)
    damage.bit, damage.samples = 44, 1
    start(simulation)
    until(simulation, State.COMPLETE)
    assert refusals(simulation) == [(1, 1), (5, 5)]
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
