"""What gate, watch and gauge conclude of the contact vacuum. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from platelink.control.alarm.states import Condition
from platelink.events.event import Event
from platelink.events.light import Cause


class Verdict(StrEnum):
    """What a stage concluded from the values so far."""

    GOING_ON = "going on"
    HELD = "held"
    LEAKS = "leaks"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict with the numbers behind it; ``text`` says what was measured and the limit."""

    verdict: Verdict
    text: str = ""
    trouble: Condition | None = None
    """What a contact that leaks or is lost says to its alarm."""
    event: Event | None = None
    """How it is recorded where the exposure goes on."""
    cause: Cause | None = None
    """Of what kind a contact is that leaks or is lost."""
    pump: bool | None = None
    """The vacuum output is to be so from now on; None: as it is."""


GOING_ON = Finding(Verdict.GOING_ON)
