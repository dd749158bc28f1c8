"""Events: what is written is what is read, and what another release wrote does no harm."""

from __future__ import annotations

import dataclasses
import re
import typing
from pathlib import Path
from typing import Any

import pytest

from platelink.daemon.docs import KINDS
from platelink.events.event import Data, Event, EventName, read
from platelink.events.light import Armed, Cause, Held, LampOff, StateMoved

ROOT = Path(__file__).parents[2]
VALUES = {
    "int": 3, "float": 2.5, "str": "text", "bool": True, "tuple[float, ...]": (1.5, 2.5),
    "tuple[str, ...]": ("a", "b"), "dict[str, float]": {"a": 1.5}, "dict[str, bool]": {"a": True},
    "str | float": 2.5, "Cause": Cause.SUDDEN,
}  # fmt: skip


def made(kind: type[Event]) -> Event:
    """One with every value set."""
    values = {f.name: VALUES[str(f.type).removesuffix(" | None")] for f in dataclasses.fields(kind)}
    return kind(**typing.cast("dict[str, Any]", values))


@pytest.mark.parametrize("kind", KINDS.values(), ids=str)
def test_an_event_is_read_as_it_was_written(kind: type[Event]) -> None:
    event = made(kind)
    assert read(kind, event.name, event.data()) == event


@pytest.mark.parametrize("kind", KINDS.values(), ids=str)
def test_an_event_of_another_name_is_not_read(kind: type[Event]) -> None:
    assert read(kind, "something else", made(kind).data()) is None


def test_keys_of_python_and_of_channels_are_plain_in_the_record() -> None:
    moved = StateMoved("running", "held")
    assert moved.data() == {"from": "running", "to": "held"}
    armed = Armed(7, 12.0, 23.0, None, (18.0, 19.5))
    assert armed.data() == {
        "order": 7, "predicted_s": 12.0, "guard_s": 23.0, "head_c": None,
        "dark_counts_0": 18.0, "dark_counts_1": 19.5,
    }  # fmt: skip
    assert Held().data() == {}


def test_what_makes_no_sense_is_as_not_known() -> None:
    data: Data = {"light_s": "long", "dose_mj_cm2": 7.5, "new in another release": 1}
    off = read(LampOff, "lamp off", data)
    assert off == LampOff(dose_mj_cm2=7.5)
    assert read(Armed, "armed", {"order": "7"}) is None


def test_the_page_knows_the_events_it_waits_for() -> None:
    script = (ROOT / "platelink/web/static/advice.js").read_text("utf-8")
    names = set(re.findall(r'^  "([a-z ]+)": \(', script, re.MULTILINE))
    assert names == {"timer advice", "dose reached", "light gone"}
    assert names <= set(map(str, EventName))
