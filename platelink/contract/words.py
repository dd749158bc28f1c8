"""Words that requests and answers share. Data only."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

EndState = Literal["complete", "stopped", "aborted", "interrupted"]
RunState = Literal["complete", "stopped", "aborted", "interrupted", "open"]
LightState = Literal["on", "dark", "unknown"]
PlatesState = Literal["complete", "stopped", "aborted", "interrupted", "in flight"]
RevisionState = Literal["draft", "approved", "retired"]
ChangeKind = Literal["changed", "added", "removed", "moved", "renamed"]
"""What a newer recipe does to a step of an older one."""
Kind = Literal["misuse", "sign in", "no right", "unknown", "refused", "too many", "fault"]
"""Why something was not done."""


class Role(StrEnum):
    """What a person is to the unit."""

    OPERATOR = "operator"
    LEAD = "lead"
    AUDITOR = "auditor"


class Command(StrEnum):
    """What can be done to the exposure that is going on."""

    HOLD = "hold"
    RESTART = "restart"
    STOP = "stop"
    ABORT = "abort"


class LampsWere(StrEnum):
    """What a person saw of lamps while the light sensors were in doubt: the reason of a restart."""

    ON = "lamps on"
    OFF = "lamps off"
    UNKNOWN = "not known"


class PlateAct(StrEnum):
    """What a person does to a plate."""

    BEGIN = "begin"
    DONE = "done"
    MEASURE = "measure"
    HOLD = "hold"
    RESTART = "restart"
    SKIP = "skip"
    STOP = "stop"
    ABORT = "abort"


class AlarmAct(StrEnum):
    """What can be done to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove"
    RETURN = "return"
