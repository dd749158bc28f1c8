"""What the doctor looks at of alerts: people, shifts, ways, and the process."""

from __future__ import annotations

import time
from collections.abc import Iterator

from platelink.alerts.duty import Roster
from platelink.alerts.outbox import Way
from platelink.alerts.people import people_faults
from platelink.alerts.sending import NOT_INSTALLED, installed, send_now
from platelink.alerts.setup import roster_of, way_sections
from platelink.alerts.store import AlertsStore, WayRow
from platelink.config.alerts import AlertsSection
from platelink.config.model import Config
from platelink.config.services import SecretFileError
from platelink.doctor.findings import Finding, fault
from platelink.ledger.errors import StoreError
from platelink.ledger.lock import held

WEEK_DAYS = 7
LATE_MS = 15 * 60_000
"""What waits for longer is held up by more than pauses."""
_DAY_MS = 86_400_000
_SUBJECT = "alerts"


def alerts(config: Config) -> Iterator[Finding]:
    """All findings."""
    section = config.alerts
    if section is None:
        yield Finding(_SUBJECT, "left out", "there is no [alerts]: nobody is notified of alarms")
        return
    now_ms = time.time_ns() // 1_000_000
    found = [
        *_people(config, section),
        *_hours(roster_of(section), now_ms),
        *_ways(section),
        *_process(config, section, now_ms),
    ]
    if not found:
        count = len(section.person)
        found = [
            Finding(_SUBJECT, "ok", f"{count} people are notified, by ways that worked lately")
        ]
    yield from found


def _people(config: Config, section: AlertsSection) -> Iterator[Finding]:
    for name, text in people_faults(config, section):
        measured, _, advice = text.partition("; ")
        yield Finding(_SUBJECT, "wrong", f"{name}: {measured}", advice=advice)
    for person in section.person:
        if not person.way:
            yield Finding(
                _SUBJECT, "wrong", f"{person.name} has no way to be reached",
                advice="add [[alerts.person.way]] below them",
            )  # fmt: skip


def _hours(roster: Roster, now_ms: int) -> Iterator[Finding]:
    """Hours of the coming week in which nobody hears high alarms."""
    gaps = roster.gaps("high", now_ms, WEEK_DAYS)
    if not gaps:
        return
    shown = [f"{roster.wall(a):%a %d %b %H:%M} to {roster.wall(b):%a %d %b %H:%M}"
             for a, b in gaps[:3]]  # fmt: skip
    more = f" and {len(gaps) - 3} more times" if gaps[3:] else ""
    yield Finding(
        _SUBJECT, "notice", f"nobody hears high alarms on {', '.join(shown)}{more}",
        f"somebody is on duty in the next {WEEK_DAYS} days, where the unit may run then",
        "add or lengthen [[alerts.shift]], or see who is on leave",
    )  # fmt: skip


def _ways(section: AlertsSection) -> Iterator[Finding]:
    if not installed():
        measured, _, advice = NOT_INSTALLED.partition("; ")
        yield Finding(_SUBJECT, "wrong", measured, advice=advice)
        return
    for way, one in way_sections(section).items():
        try:
            wrong = send_now(one.secret(), None)
        except SecretFileError as error:
            wrong = str(error)
        if wrong:
            measured, _, advice = wrong.partition("; ")
            yield Finding(_SUBJECT, "wrong", f"{_said(way)}: {measured}", advice=advice)


def _process(config: Config, section: AlertsSection, now_ms: int) -> Iterator[Finding]:
    path = config.alerts_path()
    if not held(path):
        yield Finding(
            _SUBJECT, "wrong", "platelink alerts does not run: nobody is notified of anything",
            "one process of it for the unit", "start it: sudo systemctl start platelink-alerts",
        )  # fmt: skip
    if not path.exists():
        return
    try:
        store = AlertsStore.open(path, read_only=True)
        try:
            rows = {row.way: row for row in store.ways()}
        finally:
            store.close()
    except StoreError as error:
        yield fault(_SUBJECT, error)
        return
    for way in way_sections(section):
        yield from _tried(way, rows.get(way), section.stale_days, now_ms)


def _tried(way: Way, row: WayRow | None, stale_days: int, now_ms: int) -> Iterator[Finding]:
    advice = f"platelink alerts test --to '{way.person}'"
    if row is not None and row.problem:
        yield Finding(
            _SUBJECT, "wrong",
            f"{_said(way)}: the last try failed: {row.problem}; {row.waiting} wait", advice=advice,
        )  # fmt: skip
    elif row is not None and row.oldest_ms is not None and now_ms - row.oldest_ms > LATE_MS:
        minutes = (now_ms - row.oldest_ms) // 60_000
        yield Finding(
            _SUBJECT, "wrong", f"{_said(way)}: {row.waiting} wait, the oldest for {minutes} min",
            f"{LATE_MS // 60_000} min", advice,
        )  # fmt: skip
    elif row is None or row.well_ms is None:
        yield Finding(_SUBJECT, "notice", f"{_said(way)}: no message went out by it yet",
                      advice=advice)  # fmt: skip
    elif now_ms - row.well_ms > stale_days * _DAY_MS:
        days = (now_ms - row.well_ms) // _DAY_MS
        yield Finding(
            _SUBJECT, "notice", f"{_said(way)}: the last message went out {days} days ago",
            f"{stale_days} days", advice,
        )  # fmt: skip


def _said(way: Way) -> str:
    return f"{way.person} by {way.name}"
