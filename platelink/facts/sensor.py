"""What a sensor touches if it was wrong, and the doses as a corrected calibration has them.

Nothing recorded is changed: the answer states both. The integral is that of the check, which shares
no code with the controller.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from platelink.contract.facts import Asked, Piece, Restated, Touched
from platelink.contract.runs import off_pct
from platelink.facts.ask import Facts, utc
from platelink.facts.derive import Json
from platelink.facts.refused import no_dose, no_sensor
from platelink.facts.rows import steps_of
from platelink.ledger.by import to_ms
from platelink.record.check import integrate
from platelink.record.errors import JournalDamaged
from platelink.record.light import LightCalibration


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a light channel's counts are worth after all; None leaves what was recorded."""

    slope_mw_cm2_per_count: float | None = None
    dark_counts: float | None = None
    factor: float | None = None
    """Of the slope that was recorded."""

    def of(self, channel: Mapping[str, Any]) -> Json:
        """The channel's calibration, corrected."""
        found = dict(channel)
        if self.factor is not None:
            found["slope_mw_cm2_per_count"] = found["slope_mw_cm2_per_count"] * self.factor
        if self.slope_mw_cm2_per_count is not None:
            found["slope_mw_cm2_per_count"] = self.slope_mw_cm2_per_count
        if self.dark_counts is not None:
            found["dark_counts"] = self.dark_counts
        return found


def touched(
    facts: Facts, sensor: str, since: datetime, until: datetime | None, *,
    corrected: Corrected | None = None, limit: int = 100,
) -> Touched:  # fmt: skip
    """Plates and lone runs begun in ``since <= t < until`` that were read with this sensor, newest
    first; with ``corrected`` their doses again, of a light channel alone. StoreRefused when nothing
    was ever read with it."""
    if not facts.has("sensor", sensor):
        names = ", ".join(facts.there().values["sensor"]) or "none yet"
        raise no_sensor(sensor, names)
    kind, _, index = sensor.partition(" ")
    if corrected is not None and (kind != "light" or not index.isdecimal()):
        raise no_dose(sensor)
    found = facts.pieces(Asked(sensor=sensor, since=since, until=until, limit=limit))
    doses: list[Restated] = []
    if corrected is not None:
        for piece in found.made:
            doses += _doses(facts, piece, int(index), corrected)
    return Touched(sensor=sensor, made=found.made, more=found.more, doses=doses, **facts.known())


def _doses(facts: Facts, piece: Piece, channel: int, corrected: Corrected) -> Iterator[Restated]:
    number = facts.db.rows(
        "SELECT number FROM made WHERE name = ? AND began_ms = ?",
        (piece.name, to_ms(datetime.fromisoformat(piece.began_utc))),
    )[0][0]
    for _, step, _ in steps_of(facts.db, number):
        if step.get("kind") == "expose":
            yield _restated(facts, piece, step, channel, corrected)


def _restated(
    facts: Facts, piece: Piece, step: Json, channel: int, corrected: Corrected
) -> Restated:
    run_id = str(step["run_id"])
    again = other = None
    read_with, why = "as configured", ""
    try:
        run = facts.journal.run(run_id)
        assert run is not None
        if run.removed is not None:
            raise LookupError(run.removed.text)
        light = run.start.conditions.get("light")
        for one in run.start.conditions.get("calibrations") or ():  # type: ignore[union-attr]
            if isinstance(one, dict) and one.get("sensor") == f"light {channel}":
                read_with = str(one.get("calibration"))
        before = LightCalibration.model_validate(light)
        channels = [dict(c) for c in light["channels"]]  # type: ignore[index,call-overload,arg-type,union-attr]
        channels[channel] = corrected.of(channels[channel])
        after = LightCalibration.model_validate({**light, "channels": channels})  # type: ignore[dict-item]
        samples, events = facts.journal.samples(run_id), facts.journal.events(run_id)
        again = integrate(before, samples, events).dose_mj_cm2
        # A dark reading of the run itself takes the place of the calibration's in both.
        other = integrate(after, samples, events).dose_mj_cm2
    except (JournalDamaged, ValidationError, LookupError, ValueError) as error:
        why = " ".join(str(error).split())[:200]
    target = step.get("target_mj_cm2")
    return Restated(
        plate=piece.name, run_id=run_id, step=str(step.get("step")),
        began_utc=utc(step["began_ms"]), read_with=read_with, target_mj_cm2=target,
        recorded_mj_cm2=step.get("dose_mj_cm2"), again_mj_cm2=again, corrected_mj_cm2=other,
        corrected_off_pct=off_pct(other, target), why=why,
    )  # fmt: skip
