"""The store of calibrations: an append-only file beside the journal. Times come from the caller.

Every reading is an entry as it is taken, so that a calibration can go on after anything; approved
ones hold from then on. One thread.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date, timedelta

from pydantic import JsonValue

from platelink.calibrations.made import Act, Entry, Made, Plan, Stage, in_force, made_of, plain
from platelink.calibrations.schema import CALIBRATIONS
from platelink.ledger.by import By, from_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreRefused
from platelink.ledger.log import EntryLog
from platelink.ledger.readable import readable
from platelink.ledger.store import Store
from platelink.sensing.calibrate import judged
from platelink.sensing.calibration import (
    UNIT,
    Calibration,
    Counts,
    Instrument,
    Level,
    Quantity,
    quantity_of,
)

_COLUMNS = "number, sensor, revision, act, at_ms, who, why, body"
MOST_LEVELS = 100
LONGEST_DAYS = 731
"""A calibration is believed for at most two years."""
_CAN_BE = {
    Quantity.LIGHT: (0.0, 1000.0), Quantity.VACUUM: (-10.0, 120.0),
    Quantity.OVEN: (-50.0, 500.0), Quantity.HEAD: (-50.0, 150.0),
}  # fmt: skip
"""What a reference can show, in the quantity's unit; an absolute gauge is compared in absolute
pressure."""


class CalibrationStore(Store):
    """See the file's first lines."""

    kind = CALIBRATIONS

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self.entries = EntryLog(database, _COLUMNS, _entry)

    # --- reading ---------------------------------------------------------------------------

    def sensors(self) -> tuple[str, ...]:
        """All sensors that were ever begun with, in that order."""
        rows = self._db.rows("SELECT sensor FROM calibrations WHERE revision = 1 ORDER BY number")
        return tuple(str(row[0]) for row in rows)

    def of(self, sensor: str) -> tuple[Made, ...]:
        """All calibrations of a sensor, oldest first."""
        each: dict[int, list[Entry]] = {}
        for entry in self.entries.where("sensor = ?", (sensor,)):
            each.setdefault(entry.revision, []).append(entry)
        found = []
        for revision, entries in each.items():
            with readable(self._db.path, f"calibration {sensor}@{revision}"):
                found.append(made_of(entries))
        return tuple(found)

    def of_light(self) -> tuple[Made, ...]:
        """All of every light channel."""
        return tuple(m for s in self.sensors() if s.startswith("light") for m in self.of(s))

    def find(self, name: str) -> Made:
        """``light 0@3``; ``StoreRefused`` says what there is instead."""
        sensor, _, number = name.rpartition("@")
        all_of = self.of(sensor)
        for made in all_of:
            if str(made.revision) == number:
                return made
        there = ", ".join(m.name for m in all_of) or ", ".join(self.sensors()) or "none yet"
        raise StoreRefused(f"there is no calibration '{name}'; there are: {there}")

    def history(self, made: Made) -> tuple[Entry, ...]:
        """Everything that was done in one calibration."""
        return self.entries.where("sensor = ? AND revision = ?", (made.sensor, made.revision))

    def in_force(self) -> dict[str, Calibration]:
        """The calibration that holds, of each sensor that has one."""
        held: dict[str, Calibration] = {}
        for sensor in self.sensors():
            made = in_force(self.of(sensor))
            calibration = None if made is None else made.calibration()
            if calibration is not None:
                held[sensor] = calibration
        return held

    # --- doing -----------------------------------------------------------------------------

    def begin(self, sensor: str, plan: Plan, by: By) -> Made:
        """Begin one; refused while another of the sensor is still being read or approved."""
        quantity_of(sensor)
        _instrument_can_be(plan.instrument)
        with self._db.transaction():
            before = self.of(sensor)
            for made in before:
                if made.stage in (Stage.READING, Stage.FINISHED):
                    state = "being read" if made.stage is Stage.READING else "waiting for approval"
                    raise StoreRefused(
                        f"{made.name} is still {state}, begun by {made.begun.who}; continue "
                        "it, or discard it with a reason"
                    )
            revision = len(before) + 1
            number = self._enter(sensor, revision, Act.BEGUN, by, plain(plan))
            self._db.execute(
                "INSERT INTO calibrations (sensor, revision, number) VALUES (?, ?, ?)",
                (sensor, revision, number),
            )
        return self.find(f"{sensor}@{revision}")

    def dark(self, name: str, counts: Counts, by: By) -> Made:
        """The reading without light; a later one takes its place."""
        with self._db.transaction():
            made = self._open(name)
            if made.quantity is not Quantity.LIGHT:
                raise StoreRefused(f"{name}: only light has a dark reading")
            self._enter(made.sensor, made.revision, Act.DARK, by, plain(counts))
        return self.find(name)

    def level(self, name: str, level: Level, by: By) -> Made:
        """One comparison more."""
        with self._db.transaction():
            made = self._open(name)
            low, high = _CAN_BE[made.quantity]
            if not low <= level.reference <= high:
                raise StoreRefused(
                    f"a reference of {level.reference:g} {UNIT[made.quantity]} is not "
                    f"possible; it must be at least {low:g} and at most {high:g}: look at the "
                    "instrument's unit"
                )
            if len(made.levels) >= MOST_LEVELS:
                raise StoreRefused(
                    f"{name} has {MOST_LEVELS} levels, the most possible; finish or discard it"
                )
            self._enter(made.sensor, made.revision, Act.LEVEL, by, plain(level))
        return self.find(name)

    def leave_out(self, name: str, number: int, by: By) -> Made:
        """A level is not used; it stays in the record, with the reason."""
        _reasoned(by, f"level {number} of {name} is left out")
        with self._db.transaction():
            made = self._open(name)
            if number not in made.numbers():
                numbers = ", ".join(map(str, made.numbers())) or "none"
                raise StoreRefused(f"{name} has no level {number} in use; in use: {numbers}")
            self._enter(made.sensor, made.revision, Act.LEFT_OUT, by, {"level": number})
        return self.find(name)

    def finish(self, name: str, due_on: date, by: By, *, today: date) -> Made:
        """Find the line; refused, with all reasons, when the levels cannot carry it."""
        if not today < due_on <= today + timedelta(days=LONGEST_DAYS):
            raise StoreRefused(
                f"due on {due_on}: it must be after today, {today}, and within two years"
            )
        with self._db.transaction():
            made = self._open(name)
            line = judged(made.comparison(), today=today)
            if isinstance(line, tuple):
                raise StoreRefused("\n".join(line))
            body: dict[str, JsonValue] = {"due_on": due_on.isoformat(), "line": plain(line)}
            self._enter(made.sensor, made.revision, Act.FINISHED, by, body)
        return self.find(name)

    def approve(self, name: str, by: By) -> Made:
        """Approve one; it is in force from the next run."""
        _reasoned(by, f"{name} is approved")
        with self._db.transaction():
            made = self.find(name)
            if made.stage is not Stage.FINISHED:
                raise StoreRefused(f"{name} is {made.stage}; only a finished one is approved")
            self._enter(made.sensor, made.revision, Act.APPROVED, by, {})
        return self.find(name)

    def drop(self, name: str, by: By) -> Made:
        """It holds no more, or never will; the one before it holds again."""
        _reasoned(by, f"{name} is discarded")
        with self._db.transaction():
            made = self.find(name)
            if made.stage is Stage.DROPPED:
                raise StoreRefused(f"{name} is already discarded")
            self._enter(made.sensor, made.revision, Act.DROPPED, by, {})
        return self.find(name)

    def _open(self, name: str) -> Made:
        made = self.find(name)
        if made.stage is not Stage.READING:
            raise StoreRefused(f"{name} is {made.stage}: it takes no more readings")
        return made

    def _enter(
        self, sensor: str, revision: int, act: Act, by: By, body: Mapping[str, JsonValue]
    ) -> int:
        done = f"{act}: calibration {sensor}@{revision}"
        return self.entries.append(by, done, body, sensor=sensor, revision=revision, act=str(act))


def _entry(row: Row) -> Entry:
    number, sensor, revision, act, at_ms, who, why, body = row
    return Entry(number, sensor, revision, Act(act), from_ms(at_ms), who, why, json.loads(body))


def _reasoned(by: By, what: str) -> None:
    if not by.why.strip():
        raise StoreRefused(f"say why {what}")


def _instrument_can_be(it: Instrument) -> None:
    texts = (("name", it.name), ("certificate number", it.certificate))
    for what, text in texts:
        if not (text.strip() and text.isprintable()):
            raise StoreRefused(f"give the reference instrument's {what}")
    numbers = (it.u_rel, it.u_abs, it.k, it.resolution)
    if not all(map(math.isfinite, numbers)) or min(numbers) < 0.0:
        raise StoreRefused("uncertainty and resolution must be numbers, 0 or more")
    if it.u_rel >= 1.0:
        raise StoreRefused("U of 100 % and more says nothing; give it as its certificate states it")
    if not 1.0 <= it.k <= 4.0:
        raise StoreRefused(f"coverage factor k = {it.k:g} is not possible; 2 is usual")
