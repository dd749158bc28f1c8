"""Turns go round among those who wait, whoever asks most."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from platelink.serving.lane import Crowded, Lane, Pace


def run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(asyncio.wait_for(work(), 20.0))


async def settle() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


def test_one_who_asks_much_waits_for_one_who_asks_once() -> None:
    async def work() -> None:
        lane, order = Lane(1, 1), []

        async def ask(whose: str, number: int) -> None:
            async with lane.turn(whose):
                order.append(f"{whose}{number}")
                await asyncio.sleep(0)

        asked = [("a", n) for n in range(5)] + [("b", 0), ("c", 0), ("b", 1)]
        await asyncio.gather(*(ask(*one) for one in asked))
        assert order == ["a0", "a1", "b0", "c0", "a2", "b1", "a3", "a4"]

    run(work)


def test_nobody_has_more_than_their_part_of_the_turns() -> None:
    async def work() -> None:
        lane = Lane(8, 4)
        tasks = [asyncio.create_task(lane.take("a")) for _ in range(8)]
        await settle()
        assert [task.done() for task in tasks] == [True] * 4 + [False] * 4
        await asyncio.wait_for(lane.take("b"), 1.0)
        lane.give("a")
        await settle()
        assert sum(task.done() for task in tasks) == 5
        for task in tasks:
            task.cancel()

    run(work)


def test_there_is_room_for_so_many_and_no_more() -> None:
    async def work() -> None:
        lane = Lane(1, 1, (2, 3))
        tasks = []
        for whose in ("a", "a", "b", "c"):
            tasks.append(asyncio.create_task(lane.take(whose)))
            await settle()
        for whose in ("a", "d"):
            assert lane.crowded(whose)
            with pytest.raises(Crowded):
                await lane.take(whose)
        for task in tasks:
            task.cancel()

    run(work)


def test_who_gives_up_waiting_takes_no_turn_with_them() -> None:
    """Any order of asking, giving up and being done, from seeds: every turn comes back."""

    async def work() -> None:
        for seed in range(50):
            chance, lane = random.Random(seed), Lane(3, 2)

            async def ask(whose: str, lane: Lane = lane, chance: Any = chance) -> None:
                async with lane.turn(whose):
                    for _ in range(chance.randrange(3)):
                        await asyncio.sleep(0)

            tasks = []
            for _ in range(60):
                tasks.append(asyncio.create_task(ask(chance.choice("abcd"))))
                if chance.random() < 0.4:
                    chance.choice(tasks).cancel()
                if chance.random() < 0.5:
                    await asyncio.sleep(0)
            await asyncio.gather(*tasks, return_exceptions=True)
            assert (lane._free, dict(lane._working), lane._waiting) == (3, {}, {})

    run(work)


def test_those_who_are_turned_away_hear_of_it_one_after_another() -> None:
    pace = Pace(0.5, 0.01)
    assert [round(pace.next(10.0), 3) for _ in range(3)] == [10.5, 10.51, 10.52]
    assert pace.next(99.0) == 99.5
