"""Statuses of invented units, and a fleet that hears them in simulated time."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from platelink.fleet.view import Fleet, Row
from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.publish.topics import Topics

SITE = "invented-shop"
T0 = 1_900_000_000.0
"""This computer's clock when the monotonic one shows 0."""
LIT: dict[str, Any] = {
    "link": "online", "exposure": "running", "light": "on", "problem": "", "overdue": [],
    "alarms": {"unacknowledged": 0, "acknowledged": 0, "worst": None}, "plates": [],
}  # fmt: skip
DARK = LIT | {"light": "dark", "exposure": None}


def word(
    unit: str = "unit-1", *, at_s: float = 0.0, order: tuple[int, int] = (100, 1),
    state: str = "online", detail: dict[str, Any] | None = None, **more: Any,
) -> bytes:  # fmt: skip
    """A status made ``at_s`` after the begin by the unit's own clock."""
    will = order[1] == LAST_WORD
    told: dict[str, Any] = {
        "site": SITE, "unit": unit, "session": order[0], "sequence": order[1], "state": state,
        "at_utc": datetime.fromtimestamp(T0 + at_s, UTC), "pending": None if will else 0,
        "renewed_s": None if state == "offline" else 20.0,
        "detail": {} if will else LIT if detail is None else detail,
    }  # fmt: skip
    return UnitStatus.model_validate(told | more).model_dump_json().encode()


def without(payload: bytes, *names: str) -> bytes:
    """The same of a release that did not know these keys."""
    told = json.loads(payload)
    for name in names:
        del told[name]
    return json.dumps(told).encode()


class World:
    """A fleet and one clock."""

    def __init__(self, *, connected: bool = True) -> None:
        self.now = 0.0
        self.fleet = Fleet()
        if connected:
            self.fleet.connected(now=0.0)

    def hear(
        self, payload: bytes, unit: str = "unit-1", *, at: float | None = None,
        retained: bool = False,
    ) -> None:  # fmt: skip
        """A message that comes at this time."""
        self.now = self.now if at is None else at
        self.fleet.hear(
            Topics(SITE, unit).status, payload, retained=retained, now=self.now,
            utc_s=T0 + self.now,
        )  # fmt: skip

    def rows(self, at: float | None = None) -> tuple[Row, ...]:
        """All of them at this time."""
        self.now = self.now if at is None else at
        return self.fleet.rows(now=self.now, utc_s=T0 + self.now)

    def row(self, at: float | None = None) -> Row:
        """The only one."""
        (row,) = self.rows(at)
        return row
