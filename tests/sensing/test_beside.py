"""Instruments on a bus: the newest of each, how old, why there is none; readings made of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sensing.test_registers import GAUGE

from platelink.link import outputs as link
from platelink.link.session import Session
from platelink.sensing.beside import FIRST_S, MOST_AGE_S, Beside, Reply, Unanswered
from platelink.sensing.calibration import Quantity
from platelink.sensing.readings import Converter, Quality
from platelink.sensing.registers import Form
from platelink.simulated.harness import matching_sensors
from platesim.unit import SimulatedUnit, UnitParameters

OVEN = replace(
    GAUGE, name="oven-1", quantity=Quantity.OVEN, slave=7, low=0.0, high=150.0, unit="°C",
    poll_s=1.0, stale_after_s=5.0,
)  # fmt: skip


def told(raw: int, name: str = "gauge-1", age_s: float = 0.03) -> Reply:
    return Reply(name, age_s, (raw & 0xFFFF,))


def silent(name: str = "gauge-1") -> Reply:
    return Reply(name, 0.1, why=Unanswered.SILENT)


def both() -> Beside:
    beside = Beside((GAUGE, OVEN))
    assert beside.look(now=100.0) == ()
    return beside


def test_a_value_is_there_until_it_is_stale_and_dates_from_its_question() -> None:
    beside = both()
    assert beside.newest(Quantity.VACUUM, 100.0) is None
    beside.take(told(-724), now=101.0)
    newest = beside.newest(Quantity.VACUUM, 101.0)
    assert newest is not None and (newest.raw, newest.t) == (-724.0, 100.97)
    assert beside.newest(Quantity.VACUUM, 101.96) is not None
    assert beside.newest(Quantity.VACUUM, 101.98) is None


def test_a_lost_answer_leaves_the_value_until_then() -> None:
    beside = both()
    beside.take(told(-724), now=101.0)
    beside.take(silent(), now=101.3)
    assert beside.newest(Quantity.VACUUM, 101.4) is not None
    gauge, _ = beside.status(now=101.4)
    assert gauge.value == pytest.approx(72.4) and "does not answer at address 5" in gauge.problem
    beside.take(told(-723), now=101.5)
    assert beside.status(now=101.5)[0].problem == ""


def test_a_number_that_cannot_be_takes_the_value_away_at_once() -> None:
    beside = both()
    beside.take(told(-724), now=101.0)
    beside.take(told(-1100), now=101.2)
    gauge, _ = beside.status(now=101.2)
    assert gauge.value is None and "shows -110 kPa, it can be -101 to 5 kPa" in gauge.problem


@pytest.mark.parametrize(
    "reply",
    [
        told(-700, name="nobody"),
        told(-700, age_s=-0.1),
        told(-700, age_s=MOST_AGE_S + 1.0),
        told(-700, age_s=1.0),  # asked before the one that is there
        Reply("gauge-1", 0.03, (1, 2)),
    ],
)
def test_a_reply_that_cannot_be_changes_no_value(reply: Reply) -> None:
    beside = both()
    beside.take(told(-724), now=101.0)
    beside.take(reply, now=101.2)
    newest = beside.newest(Quantity.VACUUM, 101.2)
    assert newest is not None and newest.raw == -724.0


def test_lost_and_back_are_said_once_with_the_reason() -> None:
    beside = both()
    for now in (101.0, 101.2):
        beside.take(told(-724), now=now)
        beside.take(told(600, "oven-1"), now=now)
    beside.take(silent(), now=102.0)
    assert beside.look(now=102.1) == ()
    (lost,) = beside.look(now=102.3)
    assert (lost.name, lost.lost) == ("gauge-1", True)
    assert lost.text.startswith("gauge-1 does not answer at address 5; check its power")
    assert beside.look(now=103.0) == ()
    since = beside.longest_lost_s(now=103.0)
    assert since is not None and since == (pytest.approx(103.0 - 101.17), 1.0)
    beside.take(told(-724), now=103.1)
    (back,) = beside.look(now=103.1)
    assert (back.name, back.lost) == ("gauge-1", False)
    assert beside.longest_lost_s(now=103.1) is None


def test_one_that_tells_what_cannot_be_is_lost_too() -> None:
    beside = both()
    for tenth in range(1000, 1080):
        beside.take(told(32767), now=tenth / 10.0)
        beside.take(told(600, "oven-1"), now=tenth / 10.0)
    (lost,) = beside.look(now=107.9)
    assert lost.name == "gauge-1" and "32767, which stands for no value" in lost.text


def test_at_the_start_both_have_a_while() -> None:
    beside = both()
    assert beside.look(now=100.0 + FIRST_S) == ()
    assert [turn.name for turn in beside.look(now=100.1 + FIRST_S)] == ["gauge-1", "oven-1"]


def test_one_that_is_slower_than_it_is_asked_is_told() -> None:
    beside = both()
    for n in range(60):
        beside.take(told(-724), now=101.0 + 0.45 * n)
    gauge, _ = beside.status(now=101.0 + 0.45 * 59)
    assert gauge.every_s == pytest.approx(0.45, rel=0.01) and not gauge.lost
    assert gauge.problem.startswith("gauge-1 gives a value every 0.45 s, poll_s is 0.20 s; raise")


def test_a_reading_has_the_newest_value_once_as_new_and_then_as_it_was() -> None:
    unit = SimulatedUnit(UnitParameters(), 3)
    plain = matching_sensors(unit.parameters)
    converter = Converter(replace(plain, vacuum=GAUGE, oven=OVEN))
    session, readings = Session(), []
    session.port_opened(now=0.0)
    for n in range(400):
        now = unit.time_s
        if n in (200, 210):
            converter.beside.take(told(-724 - n, age_s=0.001), now=now)
            converter.beside.take(told(600 + n, "oven-1", age_s=0.001), now=now)
        for output in session.receive(unit.read(), now=now):
            if isinstance(output, link.SampleReceived):
                readings.append(converter.read(output.sample, output.ticks, output.t))
        session.tick(now=now)
        if data := session.data_to_send():
            unit.write(data)
        unit.advance(0.02)
    stale = [r for r in readings if r.quality & Quality.VACUUM_STALE]
    held = [r for r in readings if r.vacuum_kpa is not None]
    fresh = [r for r in held if r.vacuum_fresh]
    assert stale and all(r.vacuum_kpa is None and r.vacuum_fresh for r in stale)
    assert [round(r.vacuum_kpa or 0.0, 1) for r in fresh] == [92.4, 93.4] and len(held) > 10
    assert max(r.t for r in held) - fresh[-1].t <= GAUGE.stale_after_s
    assert {r.oven_c for r in readings if r.oven_c is not None} == {80.0, 81.0}
    assert len({r.oven_t for r in readings if r.oven_c is not None}) == 2


def test_a_form_of_two_registers_is_read_from_two() -> None:
    beside = Beside((replace(GAUGE, form=Form.INT32),))
    beside.take(Reply("gauge-1", 0.0, (0xFFFF, 0xFD2C)), now=1.0)
    newest = beside.newest(Quantity.VACUUM, 1.0)
    assert newest is not None and newest.raw == -724.0


def test_after_an_outage_the_first_answer_may_be_an_old_one_and_is_no_value() -> None:
    beside = both()
    beside.take(told(-724), now=101.0)
    beside.take(silent(), now=103.0)
    beside.take(told(-10, age_s=1.5), now=103.2)  # perhaps asked for at 101.7
    assert beside.newest(Quantity.VACUUM, 103.2) is None
    assert "does not answer" in beside.status(now=103.2)[0].problem
    beside.take(told(-723), now=103.4)
    newest = beside.newest(Quantity.VACUUM, 103.4)
    assert newest is not None and newest.raw == -723.0


def test_an_outage_that_is_over_is_not_told_as_a_slow_instrument() -> None:
    beside = both()
    for tenth in range(1000, 1100, 2):
        beside.take(told(-724), now=tenth / 10.0)
    beside.take(silent(), now=160.0)
    beside.take(told(-724), now=170.0)
    gauge, _ = beside.status(now=170.0)
    assert gauge.problem == "" and gauge.every_s == pytest.approx(0.2, abs=0.01)
    for second in range(171, 200):  # that it comes so late has another reason, and is told
        beside.take(told(-724), now=float(second))
    assert "gives a value every" in beside.status(now=199.0)[0].problem


def test_what_is_said_names_the_settings_that_a_slow_or_exchanged_one_needs() -> None:
    beside = both()
    beside.take(silent(), now=101.0)
    beside.take(told(-7240, "oven-1"), now=101.0)
    gauge, oven = beside.status(now=101.0)
    assert "timeout_s" in gauge.problem and "slave" in oven.problem
