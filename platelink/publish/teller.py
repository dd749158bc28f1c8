"""A recorder tells publishers what it holds: when, and in which words. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from typing import NamedTuple

from platelink.publish.messages import HeldEntries
from platelink.publish.ranges import Ranges
from platelink.publish.topics import Topics

TELL_S = 5.0
"""How often it is told of a unit whose entries come in."""
KEPT_S = 7 * 86400
"""How long the broker keeps it: as long as it keeps the session of a recorder that is away."""
ANEW_S = 86400.0
"""How often it is told although nothing has come."""

Unit = tuple[str, str]
"""Site and unit."""


class Told(NamedTuple):
    """A message that is to be retained for KEPT_S."""

    topic: str
    payload: bytes


class Teller:
    """See the file's first line. ``now`` is host monotonic seconds."""

    def __init__(self, recorder: str, group: str | None) -> None:
        self._recorder, self._group = recorder, group
        self._changed: set[Unit] = set()
        self._told_at = float("-inf")
        self._all_at = float("-inf")

    def connected(self) -> None:
        """The broker may have forgotten everything."""
        self._told_at = self._all_at = float("-inf")

    def took(self, units: Iterable[Unit]) -> None:
        """Something of these units came."""
        self._changed.update(units)

    def due(self, known: Callable[[], Iterable[Unit]], *, now: float) -> set[Unit]:
        """The units of which to tell now; ``known`` gives all of which anything is held."""
        if now - self._all_at >= ANEW_S:
            self._all_at = now
            self._changed.update(known())
        if now - self._told_at < TELL_S:
            return set()
        self._told_at = now
        due, self._changed = self._changed, set()
        return due

    def words(self, unit: Unit, journals: dict[str, Ranges], at_utc: datetime) -> Told:
        """What to tell of a unit."""
        held = HeldEntries(
            site=unit[0], unit=unit[1], recorder=self._recorder, group=self._group,
            at_utc=at_utc, journals=journals,
        )  # fmt: skip
        return Told(Topics(*unit).held(self._recorder), held.model_dump_json().encode())
