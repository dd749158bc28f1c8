"""What complete exposures taught the next ones: each within what can be, and their median. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from platelink.control.states import Ended, Forecast, Learned, Noted, State
from platelink.events.event import read
from platelink.events.light import Lesson
from platelink.runs import RunEvent

KEPT = 5
MAX_AFTERGLOW_S = 0.5
"""Of tubes, shutter and contactor; longer it is light that should not be there."""
MAX_WARM_UP_S = 60.0
LEAST_SHARE, MOST_SHARE = 0.2, 3.0
"""Of the irradiance of fresh lamps."""
STEP = 0.7
"""Lamps may be weaker, or stronger, by this than the median of the last lessons says."""
FORETELLING = 15
"""Newest lessons that foretell the next: those of some plates, their longest steps among them."""
LEAST_FORETELLING = 5


def possible(learned: Learned, fresh_mw_cm2: float) -> bool:
    """Lamps can be so; ``fresh_mw_cm2`` is what they give when they are new."""
    share = (learned.irradiance_mw_cm2 or 0.0) / fresh_mw_cm2
    return (
        0.0 <= learned.afterglow_s <= MAX_AFTERGLOW_S
        and 0.0 <= learned.warm_up_deficit_s <= MAX_WARM_UP_S
        and LEAST_SHARE <= share <= MOST_SHARE
    )


def told_by(events: Iterable[RunEvent], fresh_mw_cm2: float) -> list[tuple[RunEvent, Learned]]:
    """The lessons among events of the record that can be."""
    found = []
    for event in events:
        lesson = read(Lesson, event.name, event.data)
        if lesson is None or lesson.afterglow_s is None or lesson.warm_up_deficit_s is None:
            continue  # of another release
        learned = Learned(lesson.afterglow_s, lesson.warm_up_deficit_s, lesson.irradiance_mw_cm2)
        if possible(learned, fresh_mw_cm2):
            found.append((event, learned))
    return found


class Lessons:
    """The same from the record as from the exposures themselves: ``told`` is oldest first."""

    def __init__(self, first: Learned, fresh_mw_cm2: float, told: Iterable[RunEvent] = ()) -> None:
        """``first`` holds before there are any."""
        self._first, self._fresh_mw_cm2 = first, fresh_mw_cm2
        learned = (learned for _, learned in told_by(told, fresh_mw_cm2))
        self._foretelling = deque(learned, maxlen=FORETELLING)
        self._taught = deque(self._foretelling, maxlen=KEPT)
        self.in_force = self._in_force()
        """What the next exposure is made with."""

    def learn(self, ended: Ended) -> tuple[Noted, ...]:
        """Learn of an exposure that is complete, and say so."""
        learned = ended.learned
        if ended.state is not State.COMPLETE or learned is None or not self.take(learned):
            return ()
        lesson = Lesson(learned.afterglow_s, learned.warm_up_deficit_s, learned.irradiance_mw_cm2)
        return (Noted(lesson, f"after-glow {1000.0 * learned.afterglow_s:.1f} ms"),)

    def take(self, learned: Learned) -> bool:
        """Learn; False when it cannot be."""
        if not possible(learned, self._fresh_mw_cm2):
            return False
        self._taught.append(learned)
        self._foretelling.append(learned)
        self.in_force = self._in_force()
        return True

    def drop(self) -> None:
        """Forget them all."""
        self._taught.clear()
        self._foretelling.clear()
        self.in_force = self._in_force()

    def _in_force(self) -> Learned:
        taught = list(self._taught)
        if not taught:
            return self._first
        newest = taught[-1].irradiance_mw_cm2 or 0.0
        if len(taught) % 2 == 0:
            taught.pop()  # it waits for the one after it: of two, none is in the middle
        usual = _middle(one.irradiance_mw_cm2 or 0.0 for one in taught)
        return Learned(
            _middle(one.afterglow_s for one in taught),
            _middle(one.warm_up_deficit_s for one in taught),
            min(max(newest, STEP * usual), usual / STEP),
            forecast=self._forecast(),
        )

    def _forecast(self) -> Forecast | None:
        """Lamps differ from step to step by their warm-up, and from day to day by mains and age: by
        no more than ``STEP`` from the weakest and strongest, of which one each may be odd."""
        told = sorted(one.irradiance_mw_cm2 or 0.0 for one in self._foretelling)
        if len(told) < LEAST_FORETELLING:
            return None
        return Forecast(STEP * told[1], told[-2] / STEP)


def _middle(odd: Iterable[float]) -> float:
    """The median of an odd number of values."""
    values = sorted(odd)
    return values[len(values) // 2]
