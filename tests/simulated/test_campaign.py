"""Hundreds of cases in which much goes wrong at once: no promise is broken, or it would be seen."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from platelink.control.contact.gauge import GaugeNature
from platelink.simulated import virtual
from platelink.simulated.campaign import run
from platelink.simulated.campaign.draw import KINDS, MOST_FAULTS, Strike, draw
from platelink.simulated.campaign.run import run_campaign, violations_of
from platelink.simulated.campaign.world import World
from platesim import faults
from platesim.sensors import VACUUM
from platesim.vacuum import Leak

CASES = 300
AT_ONCE = 10
SEEDS = range(1, CASES + 1)


@pytest.mark.parametrize("first", SEEDS[::AT_ONCE])
def test_no_promise_is_broken(first: int) -> None:
    found = run_campaign(AT_ONCE, first=first, processes=1)
    assert found.violations == 0, [(f.again, f.faults, f.violations) for f in found.failed]


def test_everything_that_can_go_wrong_does_within_these_cases() -> None:
    cases = [draw(seed) for seed in SEEDS]
    struck = [strike.kind for case in cases for strike in case.strikes]
    assert {kind for kind in KINDS if struck.count(kind) < 3} == set()
    assert {len(case.strikes) for case in cases} == set(range(MOST_FAULTS + 1))
    for word in ("plate", "contact", "learns"):
        assert {getattr(case, word) for case in cases} == {True, False}


def test_a_seed_is_the_same_case_again() -> None:
    assert draw(7) == draw(7)
    assert draw(7) != draw(8)


def test_light_without_contact_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A gauge that freezes, and then the blanket: held. Were no frozen gauge noticed, the judge
    would tell."""
    strikes = (
        Strike("vacuum_frozen", 14.0, 10.0, faults.GaugeStuck(VACUUM)),
        Strike("leak", 14.1, 10.0, faults.LeakOpens(Leak(conductance_l_s=40.0))),
    )
    case = replace(
        draw(30), plate=False, contact=True, learns=False, dose_mj_cm2=120.0, strikes=strikes
    )
    assert violations_of(case) == ()
    monkeypatch.setattr(GaugeNature, "known", False)
    assert [v.rule for v in violations_of(case)] == ["contact in light"]


async def _spins(_: World) -> None:
    """In a callback, whose exceptions asyncio only logs."""

    def spin() -> None:
        while True:
            pass

    asyncio.get_running_loop().call_soon(spin)
    await asyncio.sleep(1.0)


async def _waits(_: World) -> None:
    await asyncio.get_running_loop().create_future()


@pytest.mark.parametrize(("play", "says"), [(_spins, "still runs"), (_waits, "nothing is to do")])
def test_a_case_that_does_not_get_on_is_told(
    monkeypatch: pytest.MonkeyPatch, play: object, says: str
) -> None:
    monkeypatch.setattr(World, "play", play)
    monkeypatch.setattr(run, "WORK_S", 0.2)
    monkeypatch.setattr(virtual, "THREAD_S", 0.2)
    (violation,) = violations_of(draw(1))
    assert violation.rule == "gets on"
    assert says in violation.text
