"""Whose turn on the bus it is, in simulated time, and the thread that asks."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter
from dataclasses import replace

from sensing.test_beside import OVEN
from sensing.test_registers import GAUGE

from platelink.daemon.clock import Clock
from platelink.daemon.polling import REST_S, TRIES, Polling, Rounds
from platelink.sensing.beside import Reply, Unanswered
from platelink.sensing.registers import BusInstrument

WAITS_S = 0.1
"""An answer that does not come costs this."""


def asked(rounds: Rounds, seconds: float, silent: frozenset[str] = frozenset()) -> Counter[str]:
    """How often each was asked; answers take 0.03 s."""
    now, found = 0.0, Counter[str]()
    while now < seconds:
        one = rounds.turn(now=now)
        if one is None:
            wait_s = rounds.wait_s(now=now)
            assert wait_s > 0.0
            now += wait_s
            continue
        found[one.name] += 1
        at = now
        now += WAITS_S if one.name in silent else 0.03
        rounds.asked(one.name, answered=one.name not in silent, at=at, now=now)
    return found


def test_each_is_asked_at_its_own_interval() -> None:
    found = asked(Rounds((GAUGE, OVEN)), 100.0)
    assert 480 <= found["gauge-1"] <= 501 and 98 <= found["oven-1"] <= 101


def test_one_that_never_answers_is_asked_seldom_and_costs_the_other_little() -> None:
    both = Rounds((GAUGE, replace(OVEN, poll_s=0.2)))
    found = asked(both, 100.0, frozenset({"oven-1"}))
    rests = 100.0 / (REST_S + WAITS_S)
    assert TRIES + 0.8 * rests <= found["oven-1"] <= TRIES + rests + 1
    assert found["gauge-1"] >= 420


def test_turns_that_have_passed_are_left_out() -> None:
    rounds = Rounds((GAUGE,))
    rounds.asked("gauge-1", answered=True, at=0.0, now=5.0)  # the thread stood still
    assert rounds.turn(now=5.0) is not None
    rounds.asked("gauge-1", answered=True, at=5.0, now=5.03)
    assert rounds.turn(now=5.1) is None and rounds.wait_s(now=5.1) > 0.09


def test_an_answer_after_missing_ones_is_as_old_as_the_first_question_it_may_answer() -> None:
    rounds = Rounds((GAUGE, OVEN))
    assert rounds.asked("gauge-1", answered=True, at=0.0, now=0.03) == 0.0
    for at in (0.2, 0.5):
        assert rounds.asked("gauge-1", answered=False, at=at, now=at + WAITS_S) == at
    assert rounds.asked("oven-1", answered=True, at=0.7, now=0.73) == 0.7
    assert rounds.asked("gauge-1", answered=True, at=0.8, now=0.85) == 0.2
    assert rounds.asked("gauge-1", answered=True, at=1.0, now=1.03) == 1.0


class Waits:
    """A bus whose answers come when the test lets them."""

    def __init__(self) -> None:
        self.asked, self.answers = threading.Semaphore(0), threading.Semaphore(0)

    def read(self, one: BusInstrument) -> Reply:
        self.asked.release()
        self.answers.acquire()
        return Reply(one.name, 0.0, (0,))

    def close(self) -> None:
        pass


def test_what_comes_once_it_is_to_end_is_given_to_nobody() -> None:
    async def work() -> None:
        bus, given = Waits(), list[Reply]()
        polling = Polling(bus, (GAUGE,), Clock())
        polling.begin(given.append)
        bus.asked.acquire()
        polling._end.set()
        bus.answers.release()
        polling.stop()
        await asyncio.sleep(0)  # what the thread asked of the loop is done now
        await asyncio.sleep(0)
        assert given == [] and polling._newest == {}

    asyncio.run(work())


def test_of_each_only_the_newest_reply_waits_for_a_loop_that_is_busy() -> None:
    async def work() -> None:
        bus, given = Waits(), list[Reply]()
        polling = Polling(bus, (replace(GAUGE, poll_s=0.001),), Clock())
        polling.begin(given.append)
        for _ in range(20):
            bus.asked.acquire()  # the loop stands still meanwhile
            bus.answers.release()
        bus.asked.acquire()
        assert len(polling._newest) == 1
        polling._deliver()
        assert len(given) == 1
        polling._end.set()
        bus.answers.release()
        polling.stop()

    asyncio.run(work())


def test_a_driver_that_fails_is_told_and_the_others_are_asked_on() -> None:
    class Fails(Waits):
        def read(self, one: BusInstrument) -> Reply:
            if one is GAUGE:
                raise ZeroDivisionError("of a driver")
            return Reply(one.name, 0.0, (600,))

    async def work() -> None:
        given: dict[str, Reply] = {}
        both = asyncio.Event()

        def give(reply: Reply) -> None:
            given[reply.name] = reply
            if len(given) == 2:
                both.set()

        polling = Polling(Fails(), (GAUGE, OVEN), Clock())
        polling.begin(give)
        await asyncio.wait_for(both.wait(), 60.0)
        await asyncio.to_thread(polling.stop)
        assert (given["gauge-1"].why, given["gauge-1"].text) == (Unanswered.PORT, "of a driver")
        assert given["oven-1"].registers == (600,)

    asyncio.run(work())


def test_a_reply_carries_the_age_of_the_first_question_that_it_may_answer() -> None:
    class Misses(Waits):
        def __init__(self) -> None:
            super().__init__()
            self.began_at: list[float] = []

        def read(self, one: BusInstrument) -> Reply:
            self.began_at.append(clock.now())
            if len(self.began_at) == 1:
                return Reply(one.name, 0.0, why=Unanswered.SILENT)
            return Reply(one.name, 0.0, (600,))

    clock = Clock()

    async def work() -> None:
        bus, came = Misses(), asyncio.Event()
        taken: list[float] = []

        def give(reply: Reply) -> None:
            if reply.why is None and not taken:
                taken.append(clock.now() - reply.age_s)
                came.set()

        polling = Polling(bus, (replace(GAUGE, poll_s=0.05),), clock)
        polling.begin(give)
        await asyncio.wait_for(came.wait(), 60.0)
        await asyncio.to_thread(polling.stop)
        assert taken[0] < bus.began_at[1] - 0.04

    asyncio.run(work())
