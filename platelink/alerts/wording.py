"""Messages about alarms, as people read them: a short first line, and what to do. Pure.

Nothing of the configuration's secrets is given to this file.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple
from urllib.parse import quote

from platelink.alerts.occurrence import Occurrence
from platelink.alerts.outbox import FLOOD
from platelink.alerts.say import Say
from platelink.control.alarm.states import SILENT, AlarmState
from platelink.control.alarm.unit import UNIT_ALARMS

IN_FULL = 3
"""Alarms that are told with cause and next act; more are listed."""
LISTED = 15
"""Lines of a list; a push service cuts long messages."""
_PRIORITY = {"high": "high priority", "medium": "medium priority", "low": "low priority"}
_RANK = {"high": 0, "medium": 1, "low": 2}
_DEFINITIONS = {definition.name: definition for definition in UNIT_ALARMS}


class Message(NamedTuple):
    """What is sent."""

    title: str
    body: str


@dataclass(frozen=True, slots=True)
class Told:
    """All that one message tells of one alarm."""

    last: Occurrence
    times: int
    first_ms: int

    @property
    def rank(self) -> tuple[int, int]:
        """High ones first, then by time."""
        return _RANK.get(self.last.priority, 0), self.first_ms


def by_alarm(occurrences: Iterable[Occurrence]) -> list[Told]:
    """Occurrences gathered by alarm."""
    found: dict[str, list[Occurrence]] = {}
    for one in occurrences:
        found.setdefault(one.alarm, []).append(one)
    groups = (sorted(group, key=lambda one: one.steady_ms) for group in found.values())
    told = [Told(group[-1], len(group), group[0].raised_ms) for group in groups]
    return sorted(told, key=lambda one: one.rank)


@dataclass(frozen=True, slots=True)
class Writer:
    """Writes messages of one unit to one person."""

    say: Say
    unit: str
    page: str | None
    """The page's address, without a slash at its end."""

    def alarms(
        self, alarms: Sequence[Occurrence], over: Sequence[Occurrence], *, now_ms: int, again: bool
    ) -> Message:
        """Alarms that call or called, and ends of alarms that were told before. ``again``: a try
        before this one may have got through."""
        s = self.say
        told = by_alarm(alarms)
        flood = len(alarms) > FLOOD
        parts = []
        if flood:
            parts.append(
                s.nt("Flood: one alarm in one message.", "Flood: {n} alarms in one message.",
                     len(alarms)) + " " + s.t("Begin with the first.")
            )  # fmt: skip
        if len(told) <= IN_FULL:
            parts += [self._in_full(one) for one in told]
        else:
            parts.append("\n".join(self._line(one) for one in told[:LISTED]))
            if len(told) > LISTED:
                parts.append(s.nt("and one more", "and {n} more", len(told) - LISTED))
        parts += [self._over(one) for one in over[:LISTED]]
        if told and self.page and len(told) > IN_FULL:
            parts.append(s.t("Acknowledge on the page: {link}", link=f"{self.page}/alarms"))
        return Message(self._title(told, over, flood), self._whole(parts, now_ms, again))

    def _title(self, told: Sequence[Told], over: Sequence[Occurrence], flood: bool) -> str:
        s = self.say
        if flood:
            what = s.nt("flood, one alarm", "flood, {n} alarms", sum(one.times for one in told))
        elif told:
            what = s.word(told[0].last.alarm)
            if told[1:]:
                what += " " + s.nt("and one more", "and {n} more", len(told) - 1)
            elif told[0].last.over_ms is not None:
                what += " " + s.t("(over)")
        elif len(over) == 1:
            what = s.t("over: {alarm}", alarm=s.word(over[0].alarm))
        else:
            what = s.nt("over: one alarm", "over: {n} alarms", len(over))
        return f"{self.unit}: {what}"

    def _in_full(self, told: Told) -> str:
        s, one = self.say, told.last
        lines = [f"{s.word(one.alarm)} ({s.word(_PRIORITY.get(one.priority, one.priority))})"]
        since = s.t("Since {time}.", time=s.moment(told.first_ms))
        if told.times > 1:
            since = (
                s.nt("Once", "{n} times", told.times)
                + " "
                + s.t("since {time}.", time=s.moment(told.first_ms))
            )
        lines.append(f"{since} {self._state(one)}")
        if one.value is not None:
            value = f"{s.number(one.value)} {one.unit}".rstrip()
            if one.limit is not None:
                limit = f"{s.number(one.limit)} {one.unit}".rstrip()
                lines.append(s.t("Measured {value}, limit {limit}.", value=value, limit=limit))
            else:
                lines.append(s.t("Measured {value}.", value=value))
        if one.plates:
            lines.append(s.t("Plates that it may concern: {plates}", plates=", ".join(one.plates)))
        definition = _DEFINITIONS.get(one.alarm)
        if definition is not None:
            lines.append(s.t("Likely cause: {text}", text=s.word(definition.cause)))
            lines.append(s.t("Do: {text}", text=s.word(definition.next_act)))
        if self.page:
            link = f"{self.page}/alarms?alarm={quote(one.alarm, safe='')}"
            lines.append(s.t("Acknowledge on the page: {link}", link=link))
        return "\n".join(lines)

    def _line(self, told: Told) -> str:
        s, one = self.say, told.last
        parts = [s.clock(told.first_ms), s.word(one.alarm)]
        if told.times > 1:
            parts.append(s.nt("once", "{n} times", told.times))
        parts.append(self._state(one))
        return " · ".join(parts)

    def _state(self, one: Occurrence) -> str:
        """How it stands, as far as is known."""
        s = self.say
        if one.over_ms is not None:
            over = s.t("Over after {time}.", time=s.duration((one.lasted_ms or 0) / 1000.0))
            if one.state is AlarmState.LATCHED_UNACKNOWLEDGED:
                return over + " " + s.t("It must be acknowledged and reset.")
            return over
        if one.acknowledged_by:
            return s.t("Acknowledged by {who}.", who=one.acknowledged_by)
        if one.state in SILENT:
            return s.t("Kept quiet since by a person, or by another alarm.")
        return s.t("Not over, nobody has acknowledged it.")

    def _over(self, one: Occurrence) -> str:
        s = self.say
        return s.t(
            "{alarm} is over after {time}, since {clock}.", alarm=s.word(one.alarm),
            time=s.duration((one.lasted_ms or 0) / 1000.0), clock=s.clock(one.over_ms or 0),
        )  # fmt: skip

    def _whole(self, parts: Iterable[str], now_ms: int, again: bool) -> str:
        """With the last lines that stand in every message."""
        s = self.say
        last = [s.t("As of {time}.", time=s.moment(now_ms))]
        if again:
            last.append(s.t("Sent again: a try before may have reached you."))
        last.append(
            s.t("A message may come late, or not at all: it replaces no person at the unit.")
        )
        return "\n\n".join([*parts, "\n".join(last)]) + "\n"

    def test(self, now_ms: int) -> Message:
        """To see whether a way works."""
        s = self.say
        said = s.t(
            "This is a test, no alarm. You get alarms of {unit} by this way.", unit=self.unit
        )
        title = f"{self.unit}: {s.t('test message')}"
        return Message(title, self._whole([said], now_ms, False))

    def of(self, parts: Iterable[str], title: str, *, now_ms: int, again: bool) -> Message:
        """A message of another kind."""
        return Message(f"{self.unit}: {title}", self._whole(parts, now_ms, again))
