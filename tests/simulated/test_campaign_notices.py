"""Each defence switched off in turn: the campaign notices, with the one fault that it is for.

A case with the fault alone breaks no promise with the defence on, and one with it off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from platelink.control.light import conclusions
from platelink.control.light.doubt import Doubt, DoubtNews
from platelink.control.light.jump import JumpWatch, StepWatch
from platelink.control.light.light import LightWatch
from platelink.control.light.sight import Sight
from platelink.control.light.stretch import Stretch
from platelink.sensing.readings import Converter
from platelink.simulated.campaign.draw import Case, Strike, draw
from platelink.simulated.campaign.run import only, violations_of
from platesim.faults import GaugeShifts

Patch = pytest.MonkeyPatch


@dataclass(frozen=True)
class Defence:
    """How it is switched off, and a case that then breaks a promise: its seed and faults."""

    off: Callable[[Patch], None]
    seed: int
    faults: tuple[int | Strike, ...]
    rule: str
    learns: bool = False
    """The daemon does not know the lamps' after-glow yet."""

    def case(self) -> Case:
        drawn = draw(self.seed)
        strikes = (drawn.strikes[one] if isinstance(one, int) else one for one in self.faults)
        return replace(drawn, strikes=tuple(strikes), learns=self.learns)


def never_left_on(patch: Patch) -> None:
    add = LightWatch.add

    def blind(watch: LightWatch, *given: Any) -> bool:
        add(watch, *given)
        assert watch.light is not None
        watch.light = watch.light._replace(left_on=False)
        return False

    patch.setattr(LightWatch, "add", blind)


def no_fall_seen(patch: Patch) -> None:
    patch.setattr(JumpWatch, "add", lambda *_: False)


def no_bound(patch: Patch) -> None:
    patch.setattr(JumpWatch, "beyond_mj_cm2", lambda *_, **__: 0.0)


def no_judgement(patch: Patch) -> None:
    patch.setattr(conclusions, "not_as_asked", lambda _: None)


def believes_sums(patch: Patch) -> None:
    def steps(_: Converter, first: Any, later: Any) -> list[tuple[int, int]]:
        pairs = zip(first[1], later[1], first[2], later[2], strict=True)
        return [((b - a) % 2**64, (d - c) % 2**32) for a, b, c, d in pairs]

    patch.setattr(Converter, "_steps", steps)


def knows_for_ever(patch: Patch) -> None:
    patch.setattr(LightWatch, "known", lambda watch, *, now: watch.light)


def never_steps(patch: Patch) -> None:
    patch.setattr(StepWatch, "doubt", lambda *_: (0.0, 0.0))


def never_frozen(patch: Patch) -> None:
    """A level that stands still steps, too."""
    never_steps(patch)
    patch.setattr(Sight, "_frozen_since", lambda *_: None)


def tells_no_doubt(patch: Patch) -> None:
    patch.setattr(DoubtNews, "of", lambda *_, **__: ())


def never_late(patch: Patch) -> None:
    patch.setattr(Sight, "_late_s", 0.0)


def no_dark_afterwards(patch: Patch) -> None:
    patch.setattr(Stretch, "sensor_doubt", lambda _: Doubt())


SHIFT = Strike("light_offset", 17.0, 6.0, GaugeShifts(0, counts=40.0))
"""In the light, and back in it."""
DEFENCES = {
    "light left on is seen": Defence(never_left_on, 20, (2,), "light alarmed"),
    "a sudden fall is seen": Defence(no_fall_seen, 232, (0,), "complete dose", learns=True),
    "what falls unseen has a bound": Defence(no_bound, 57, (1,), "recorded dose"),
    "an end off its target is judged": Defence(no_judgement, 3, (1,), "complete dose"),
    "sums that cannot be are refused": Defence(believes_sums, 465, (1,), "recorded dose"),
    "nothing old is shown": Defence(knows_for_ever, 11, (2,), "nothing old"),
    "a sensor that stands still is seen": Defence(never_frozen, 250, (0,), "complete dose"),
    "a step is doubted": Defence(never_steps, 375, (SHIFT,), "complete dose"),
    "light that is late is doubted": Defence(never_late, 86, (2,), "complete dose"),
    "a doubt outlives a crash": Defence(tells_no_doubt, 1248, (1, 2), "recorded dose"),
    "the dark after is compared": Defence(no_dark_afterwards, 101, (1,), "recorded dose"),
}
"""By what they do."""


@pytest.mark.parametrize("name", DEFENCES)
def test_without_it_a_promise_is_broken(name: str, monkeypatch: Patch) -> None:
    defence = DEFENCES[name]
    case = defence.case()
    assert violations_of(case) == ()
    defence.off(monkeypatch)
    assert defence.rule in {v.rule for v in violations_of(case)}


ONCE_BROKEN = {
    "a sensor comes back between close and dark": (7433, (1,)),
    "lamps burn on while a run is closed after a crash": (7505, (1, 2)),
    "a sensor is dark while nobody watches": (1876, (1, 2)),
    "a sensor stands still while nobody watches": (8488, (2, 3)),
    "killed while the journal cannot be written": (2784, (2, 3)),
}
"""Cases that broke a promise once, with what did it: seed and faults."""


@pytest.mark.parametrize("name", ONCE_BROKEN)
def test_what_was_broken_once_holds(name: str) -> None:
    seed, kept = ONCE_BROKEN[name]
    assert violations_of(only(draw(seed), kept)) == ()
