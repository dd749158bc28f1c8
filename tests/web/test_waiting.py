"""Lines on their way to a slow browser: the newest status, a bounded queue, and what was missed."""

from __future__ import annotations

import asyncio

from platelink.web.live import MOST_WAITING, Waiting


def test_only_the_newest_status_waits_and_comes_last() -> None:
    async def work() -> list[str]:
        waiting = Waiting()
        waiting.put('{"status": {"n": 1}}')
        waiting.put('{"event": {}}')
        waiting.put('{"status": {"n": 2}}')
        return await waiting.take()

    assert asyncio.run(work()) == ['{"event": {}}', '{"status": {"n": 2}}']


def test_what_does_not_fit_is_counted() -> None:
    async def work() -> list[str]:
        waiting = Waiting()
        for n in range(MOST_WAITING + 7):
            waiting.put(f'{{"event": {n}}}')
        return await waiting.take()

    lines = asyncio.run(work())
    assert len(lines) == MOST_WAITING + 1
    assert lines[-1] == '{"missed": 7}'


def test_nothing_is_taken_twice_and_a_taker_waits() -> None:
    async def work() -> tuple[list[str], bool]:
        waiting = Waiting()
        waiting.put('{"event": 1}')
        first = await waiting.take()
        taking = asyncio.ensure_future(waiting.take())
        await asyncio.sleep(0)
        waited = not taking.done()
        taking.cancel()
        return first, waited

    assert asyncio.run(work()) == (['{"event": 1}'], True)
