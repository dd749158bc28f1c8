"""Which right each route needs: one table, and nothing that is not in it is reached. Pure."""

from __future__ import annotations

import re
from functools import cache
from typing import NamedTuple

from platelink.people.rights import Right

ANYBODY = None
"""The right of a route that is there before anybody has signed in."""


class Row(NamedTuple):
    """One route; a ``{name}`` in its path stands for any text without a slash."""

    method: str
    path: str
    right: Right | None


_READ, _RUN, _ALARM = Right.READ, Right.RUN, Right.ANSWER_ALARMS
ROWS = tuple(
    Row(*row)
    for row in (
        ("GET", "/v1/openapi.json", ANYBODY),
        # Numbers without names of people, plates or recipes.
        ("GET", "/v1/health", ANYBODY),
        ("GET", "/v1/metrics", ANYBODY),
        # Whoever stands before the unit: see the route.
        ("GET", "/v1/light", ANYBODY),
        ("GET", "/v1/status", _READ),
        ("GET", "/v1/live", _READ),
        ("GET", "/v1/alarms", _READ),
        ("POST", "/v1/alarms/{name}/acknowledge", _ALARM),
        ("POST", "/v1/alarms/{name}/reset", _ALARM),
        ("POST", "/v1/alarms/{name}/shelve", Right.CHANGE_ALARMS),
        ("POST", "/v1/alarms/{name}/unshelve", Right.CHANGE_ALARMS),
        ("POST", "/v1/alarms/{name}/remove", Right.CHANGE_ALARMS),
        ("POST", "/v1/alarms/{name}/return", Right.CHANGE_ALARMS),
        ("POST", "/v1/expose", _RUN),
        ("POST", "/v1/exposure/hold", _RUN),
        ("POST", "/v1/exposure/restart", _RUN),
        ("POST", "/v1/exposure/stop", _RUN),
        ("POST", "/v1/exposure/abort", _RUN),
        ("GET", "/v1/plates", _READ),
        ("POST", "/v1/plates", _RUN),
        ("GET", "/v1/plates/{plate}", _READ),
        ("GET", "/v1/plates/{plate}/remake", _READ),
        ("GET", "/v1/plates/{plate}/depth", _READ),
        ("POST", "/v1/plates/{plate}/note", Right.NOTE_PLATES),
        ("POST", "/v1/plates/{plate}/correct", Right.CORRECT_PLATES),
        ("POST", "/v1/plates/{plate}/begin", _RUN),
        ("POST", "/v1/plates/{plate}/done", _RUN),
        ("POST", "/v1/plates/{plate}/measure", _RUN),
        ("POST", "/v1/plates/{plate}/hold", _RUN),
        ("POST", "/v1/plates/{plate}/restart", _RUN),
        ("POST", "/v1/plates/{plate}/stop", _RUN),
        ("POST", "/v1/plates/{plate}/abort", _RUN),
        ("POST", "/v1/plates/{plate}/skip", Right.SKIP_STEPS),
        ("GET", "/v1/recipes", _READ),
        ("GET", "/v1/recipes/{which}", _READ),
        ("GET", "/v1/recipes/{which}/toml", _READ),
        ("GET", "/v1/recipe-diff", _READ),
        ("POST", "/v1/recipe-check", Right.DRAFT_RECIPES),
        ("POST", "/v1/recipes", Right.DRAFT_RECIPES),
        ("POST", "/v1/recipes/{which}/approve", Right.SIGN_RECIPES),
        ("POST", "/v1/recipes/{which}/retire", Right.SIGN_RECIPES),
        ("GET", "/v1/lots", _READ),
        ("GET", "/v1/lots/{name}", _READ),
        ("POST", "/v1/lots", Right.CHANGE_LOTS),
        ("POST", "/v1/lots/{name}/open", Right.USE_LOTS),
        ("POST", "/v1/lots/{name}/use", Right.USE_LOTS),
        ("POST", "/v1/lots/{name}/count", Right.USE_LOTS),
        ("POST", "/v1/lots/{name}/stored", Right.USE_LOTS),
        ("POST", "/v1/lots/{name}/change", Right.CHANGE_LOTS),
        ("POST", "/v1/lots/{name}/close", Right.CHANGE_LOTS),
        ("GET", "/v1/screens", _READ),
        ("GET", "/v1/screens/{name}", _READ),
        ("POST", "/v1/screens", Right.CHANGE_SCREENS),
        ("POST", "/v1/screens/{name}/use", Right.USE_SCREENS),
        ("POST", "/v1/screens/{name}/change", Right.CHANGE_SCREENS),
        ("POST", "/v1/screens/{name}/close", Right.CHANGE_SCREENS),
        ("GET", "/v1/maintenance", _READ),
        ("GET", "/v1/maintenance/{name}", _READ),
        ("POST", "/v1/maintenance", Right.CHANGE_MAINTENANCE),
        ("POST", "/v1/maintenance/{name}/done", Right.DO_MAINTENANCE),
        ("POST", "/v1/maintenance/{name}/change", Right.CHANGE_MAINTENANCE),
        ("POST", "/v1/maintenance/{name}/close", Right.CHANGE_MAINTENANCE),
        ("GET", "/v1/films", _READ),
        ("GET", "/v1/films/{name}", _READ),
        ("POST", "/v1/films", Right.CHANGE_FILMS),
        ("POST", "/v1/films/{name}/use", Right.USE_FILMS),
        ("POST", "/v1/films/{name}/change", Right.CHANGE_FILMS),
        ("POST", "/v1/films/{name}/close", Right.CHANGE_FILMS),
        ("GET", "/v1/runs", _READ),
        ("GET", "/v1/runs-table", _READ),
        ("GET", "/v1/runs/{run}/report", _READ),
        ("GET", "/v1/runs/{run}/label", _READ),
        ("GET", "/v1/trends", _READ),
        ("GET", "/v1/runs/{run}", _READ),
        ("GET", "/v1/runs/{run}/events", _READ),
        ("GET", "/v1/runs/{run}/story", _READ),
        ("GET", "/v1/runs/{run}/samples", _READ),
        ("GET", "/v1/ask/plates", _READ),
        ("GET", "/v1/ask/plates/{plate}", _READ),
        ("GET", "/v1/ask/values", _READ),
        ("GET", "/v1/ask/compare", _READ),
        ("GET", "/v1/ask/depths", _READ),
        ("GET", "/v1/ask/sensors/{sensor}", _READ),
        ("GET", "/v1/ask/days", _READ),
        ("GET", "/v1/device", _READ),
        ("POST", "/v1/lessons/drop", Right.DROP_LESSONS),
        ("GET", "/v1/counts/{sensor}", _READ),
        ("GET", "/v1/calibrations", _READ),
        ("GET", "/v1/calibrations/{name}", _READ),
        ("POST", "/v1/calibrations", Right.CALIBRATE),
        ("POST", "/v1/calibrations/{name}/dark", Right.CALIBRATE),
        ("POST", "/v1/calibrations/{name}/level", Right.CALIBRATE),
        ("POST", "/v1/calibrations/{name}/leave-out", Right.CALIBRATE),
        ("POST", "/v1/calibrations/{name}/finish", Right.CALIBRATE),
        ("POST", "/v1/calibrations/{name}/approve", Right.SIGN_CALIBRATIONS),
        # One that holds needs more: see the route.
        ("POST", "/v1/calibrations/{name}/drop", Right.CALIBRATE),
        ("GET", "/v1/experiments", _READ),
        ("GET", "/v1/experiments/{name}", _READ),
        ("GET", "/v1/experiment-design", _READ),
        ("POST", "/v1/experiments", Right.EXPERIMENT),
        *(
            ("POST", f"/v1/experiments/{{name}}/{act}", Right.EXPERIMENT)
            for act in (
                "change",
                "name-run",
                "take-off",
                "read",
                "correct",
                "leave-out",
                "conclude",
                "drop",
            )
        ),
        ("GET", "/v1/lamps", _READ),
        ("POST", "/v1/lamps", Right.DROP_LESSONS),
        ("POST", "/v1/sign-in", ANYBODY),
        ("POST", "/v1/sign-out", _READ),
        ("POST", "/v1/sign-out-others", _READ),
        ("GET", "/v1/me", _READ),
        ("GET", "/v1/people", Right.CHANGE_PEOPLE),
        ("GET", "/v1/people-history", Right.CHANGE_PEOPLE),
        ("POST", "/v1/people", Right.CHANGE_PEOPLE),
        # Whoever may, while nobody is entered: see the route.
        ("POST", "/v1/people/first", ANYBODY),
        # The owner of the people's file: see the route.
        ("POST", "/v1/people/regain", ANYBODY),
        # Another person's needs more: see the route.
        ("POST", "/v1/people/{name}/secret", Right.OWN_SECRET),
        ("POST", "/v1/people/{name}/role", Right.CHANGE_PEOPLE),
        ("POST", "/v1/people/{name}/close", Right.CHANGE_PEOPLE),
        ("POST", "/v1/people/{name}/open", Right.CHANGE_PEOPLE),
        ("POST", "/v1/people/{name}/unlock", Right.CHANGE_PEOPLE),
    )
)


WITH_UNIT = frozenset({"/v1/ask/plates/{plate}"})
"""Paths that end in a name which may have that of its unit before it, and a slash between."""


def rows_of(path: str) -> dict[str, Row]:
    """The rows of a path as requested, by method; empty when there is no such path."""
    found: dict[str, Row] = {}
    for row in ROWS:
        if _pattern(row.path).fullmatch(path):
            found.setdefault(row.method, row)
    return found


@cache
def _pattern(path: str) -> re.Pattern[str]:
    name = ".+" if path in WITH_UNIT else "[^/]+"
    return re.compile(re.sub(r"\\\{\w+\\\}", name, re.escape(path)))
