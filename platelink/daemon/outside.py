"""What only the process knows, journal, broker and calendar, as alarms and faces take it."""

from __future__ import annotations

from collections.abc import Sequence

from platelink.contract.unit import PublisherNow
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import (
    BROKER_DOWN,
    CALIBRATION_OVERDUE,
    JOURNAL_CANNOT_WRITE,
    JOURNAL_DAMAGED,
    PORT_CANNOT_BE_OPENED,
    SUPPLY_DRIFTED,
)
from platelink.daemon.calibrated import Due
from platelink.publish.publishing import PublisherStatus

MOST_SUPPLY_PCT = 0.5
"""What the budget of a dose assumes where nobody states it: docs/uncertainty.md."""


def outside(
    pending: int, not_durable: bool, overdue: Sequence[Due],
    publisher: PublisherStatus | None, port_problem: str, *, damaged: bool,
    supply_pct: float | None = None,
) -> tuple[Condition, ...]:  # fmt: skip
    """The conditions of alarms. ``pending`` entries wait for the disk; ``publisher`` is None where
    no broker is configured; ``port_problem``: why the port cannot be had; ``damaged``: the journal
    was begun anew in this process; ``supply_pct``: by how much the converter's reference is off
    what it was at the calibration of light, None where that is not known."""
    days = [float(due.days_over) for due in overdue]
    conditions = (
        Condition(PORT_CANNOT_BE_OPENED, bool(port_problem)),
        Condition(JOURNAL_CANNOT_WRITE, pending > 0 or not_durable, float(pending)),
        Condition(JOURNAL_DAMAGED, damaged),
        Condition(
            SUPPLY_DRIFTED,
            supply_pct is not None and abs(supply_pct) > MOST_SUPPLY_PCT,
            supply_pct,
            MOST_SUPPLY_PCT,
        ),
        Condition(CALIBRATION_OVERDUE, bool(days), max(days, default=None), 0.0),
    )
    if publisher is None:
        return conditions
    return (*conditions, Condition(BROKER_DOWN, not publisher.connected, publisher.lag_s))


def publisher_now(publisher: PublisherStatus) -> PublisherNow:
    """The publisher as the status shows it."""
    return PublisherNow(
        connected=publisher.connected,
        pending=publisher.pending,
        lag_s=publisher.lag_s,
        problem=publisher.problem,
        notice=publisher.notice,
    )
