"""What the daemon prints: a terminal that was paused pauses nothing else."""

from __future__ import annotations

import threading
from typing import Any

from platelink.cli.serve import LINES_WAIT, Aside


def test_lines_are_told_in_order_and_all_of_them_at_the_end() -> None:
    told: list[Any] = []
    with Aside(told.append) as aside:
        for number in range(100):
            aside({"event": number})
    assert told == [{"event": number} for number in range(100)]


def test_a_terminal_that_is_paused_holds_up_nobody() -> None:
    """Paused for good: the rest is discarded, and the end is not waited for."""
    paused, going_on = threading.Event(), threading.Event()
    told: list[Any] = []

    def tell(line: Any) -> None:
        told.append(line)
        paused.set()
        going_on.wait(20.0)

    with Aside(tell) as aside:
        aside({"event": 0})
        assert paused.wait(10.0)
        for number in range(3 * LINES_WAIT):
            aside({"event": number})
        assert told == [{"event": 0}]
        going_on.set()
    assert len(told) <= LINES_WAIT + 1
    assert told[1:] == [{"event": number} for number in range(len(told) - 1)]
