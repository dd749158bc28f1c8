"""Roles and rights: one table. Pure."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from platelink.contract.words import Role


class Right(StrEnum):
    """One kind of action. The value completes: the role may not ..."""

    READ = "read and export"
    OWN_SECRET = "change own PIN or password"  # noqa: S105 -- words, no secret
    RUN = "run plates and exposures"
    ANSWER_ALARMS = "answer alarms"
    USE_LOTS = "use lots"
    USE_SCREENS = "use screens"
    USE_FILMS = "use films"
    DO_MAINTENANCE = "do maintenance"
    DRAFT_RECIPES = "draft recipes"
    CALIBRATE = "calibrate sensors"
    EXPERIMENT = "make experiments"
    NOTE_PLATES = "write notes on plates that have ended"
    SKIP_STEPS = "skip steps"
    ACCEPT_OVERDUE = "accept an overdue calibration"
    CHANGE_ALARMS = "change alarms"
    DROP_LESSONS = "discard lamp values"
    SIGN_RECIPES = "sign recipes"
    SIGN_CALIBRATIONS = "sign calibrations"
    CORRECT_PLATES = "correct plates that have ended"
    CHANGE_LOTS = "change lots"
    CHANGE_SCREENS = "change screens"
    CHANGE_FILMS = "change films"
    CHANGE_MAINTENANCE = "change maintenance"
    CHANGE_PEOPLE = "change people"


class Row(NamedTuple):
    """One right: what it lets a person do, and who has it."""

    meaning: str
    roles: frozenset[Role]


_ALL = frozenset(Role)
_WORK = frozenset({Role.OPERATOR, Role.LEAD})
_LEAD = frozenset({Role.LEAD})

RIGHTS: dict[Right, Row] = {
    Right.READ: Row("see and export everything except people", _ALL),
    Right.OWN_SECRET: Row("change your own PIN or password", _ALL),
    Right.RUN: Row("make, begin, confirm, hold, restart, stop and abort plates, exposures", _WORK),
    Right.ANSWER_ALARMS: Row("acknowledge and reset alarms", _WORK),
    Right.USE_LOTS: Row("open, use and count lots of stock, read their store", _WORK),
    Right.USE_SCREENS: Row("count a use of a screen", _WORK),
    Right.USE_FILMS: Row("count a use of an artwork film", _WORK),
    Right.DO_MAINTENANCE: Row("record that maintenance was done", _WORK),
    Right.DRAFT_RECIPES: Row("check recipes that are files, and add them as drafts", _WORK),
    Right.CALIBRATE: Row("compare sensors with a reference, level by level", _WORK),
    Right.EXPERIMENT: Row("begin, read, correct and conclude experiments that find doses", _WORK),
    Right.NOTE_PLATES: Row("add a note to a plate that has ended", _WORK),
    Right.SKIP_STEPS: Row("skip a step of a plate, with a reason", _LEAD),
    Right.ACCEPT_OVERDUE: Row("expose although a calibration is overdue", _LEAD),
    Right.CHANGE_ALARMS: Row("shelve and unshelve alarms, put them out of service", _LEAD),
    Right.DROP_LESSONS: Row(
        "record that lamps were changed, cleaned or measured; discard lamp values", _LEAD
    ),
    Right.SIGN_RECIPES: Row("approve and retire recipes", _LEAD),
    Right.SIGN_CALIBRATIONS: Row("approve calibrations, discard one in force", _LEAD),
    Right.CORRECT_PLATES: Row(
        "correct depth, lot, job or verdict of a plate that has ended; what was recorded stays",
        _LEAD,
    ),
    Right.CHANGE_LOTS: Row("add, change and retire lots of stock", _LEAD),
    Right.CHANGE_SCREENS: Row("add, change and retire screens", _LEAD),
    Right.CHANGE_FILMS: Row("add, change and retire artwork films", _LEAD),
    Right.CHANGE_MAINTENANCE: Row("say what is to be maintained, and how often", _LEAD),
    Right.CHANGE_PEOPLE: Row("see, add, change, deactivate and unlock people", _LEAD),
}


def may(role: Role, right: Right) -> bool:
    """True when the role has the right."""
    return role in RIGHTS[right].roles


def refusal(role: Role, right: Right) -> str | None:
    """Why the role may not, and who may; None when it may."""
    if may(role, right):
        return None
    others = " or ".join(role for role in Role if may(role, right))
    return f"the role {role} may not {right}; ask somebody with the role {others}"


def table() -> str:
    """The rights as a Markdown table."""
    head = ("right", "lets a person", *Role)
    lines = [head, ("---",) * len(head)]
    for right, row in RIGHTS.items():
        lines.append((right, row.meaning, *("yes" if role in row.roles else "" for role in Role)))
    return "".join("| " + " | ".join(cells) + " |\n" for cells in lines)
