"""Calibrations that were made elsewhere: out of a store, and into that of a unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from pydantic import TypeAdapter, ValidationError

from platelink.calibrations.made import Made, Plan, Stage, in_force, plain
from platelink.calibrations.made import Signed as SignedHere
from platelink.calibrations.store import CalibrationStore
from platelink.distribution.model import Calibrations, SentCalibration, Signed
from platelink.distribution.wrong import NotTaken
from platelink.ledger.by import By
from platelink.sensing.calibration import Calibration, Counts, Level

Fits = Callable[[Calibration], str]
"""Why a calibration says nothing of this unit's sensor; empty where it does."""
_PLAN, _COUNTS = TypeAdapter(Plan), TypeAdapter(Counts)
_LEVEL = TypeAdapter(Level)


def sent_calibration(made: Made) -> SentCalibration:
    """An approved one, as it is sent."""
    assert made.finished and made.approved and made.due_on
    return SentCalibration(
        name=made.name,
        sensor=made.sensor,
        plan=plain(made.plan),
        begun=_signed(made.begun),
        dark=None if made.dark is None else plain(made.dark),
        levels=tuple(map(plain, made.levels)),
        left_out={str(number): why for number, why in made.left_out.items()},
        due_on=made.due_on.isoformat(),
        finished=_signed(made.finished),
        approved=_signed(made.approved),
    )


def sent_calibrations(store: CalibrationStore) -> tuple[SentCalibration, ...]:
    """Those in force."""
    held = (in_force(store.of(sensor)) for sensor in store.sensors())
    return tuple(sent_calibration(made) for made in held if made is not None)


def take_calibrations(
    store: CalibrationStore, given: Calibrations, by: By, fits: Fits, *, today: date
) -> tuple[str, ...]:
    """All of it or nothing; what was changed. ``NotTaken`` and ``StoreRefused`` say which one is
    wrong. Sensors that the shop does not name keep what they have."""
    changed = []
    with store.entries.database.transaction():
        for sent in given.calibrations:
            held = in_force(store.of(sent.sensor))
            if held is not None and _same(held, sent):
                continue
            made = _entered(store, sent, by)
            calibration = made.calibration()
            assert calibration is not None
            unfit = fits(calibration)
            if unfit:
                raise NotTaken(f"{sent.name} does not fit this unit: {unfit}")
            if calibration.due_on < today:
                raise NotTaken(
                    f"{sent.name} was due on {calibration.due_on}; calibrate {sent.sensor} again"
                )
            changed.append(f"{made.name} in force")
    return tuple(changed)


def _entered(store: CalibrationStore, sent: SentCalibration, by: By) -> Made:
    """Reading by reading, as it was made: the store looks at each as at those made here, and finds
    the line anew."""
    try:
        plan, levels = _PLAN.validate_python(sent.plan), map(_LEVEL.validate_python, sent.levels)
        dark = None if sent.dark is None else _COUNTS.validate_python(sent.dark)
        begun, finished = _by(sent.begun, by), _by(sent.finished, by)
        name = store.begin(sent.sensor, plan, begun).name
        if dark is not None:
            store.dark(name, dark, begun)
        for level in levels:
            store.level(name, level, begun)
        for number, why in sent.left_out.items():
            store.leave_out(name, int(number), begun._replace(why=why))
        due_on = date.fromisoformat(sent.due_on)
    except (ValidationError, ValueError) as error:
        raise NotTaken(f"calibration {sent.name} cannot be read: {error}") from None
    store.finish(name, due_on, finished, today=finished.at_utc.date())
    why = f"{by.why}; {sent.name} where it was made, approved by {sent.approved.who}"
    return store.approve(name, by._replace(why=f"{why}: {sent.approved.why}"))


def _by(signed: Signed, by: By) -> By:
    """When and by whom it was done, and how it came here."""
    return By(signed.who, signed.at_utc, by.why)


def _same(held: Made, sent: SentCalibration) -> bool:
    return held.stage is Stage.APPROVED and _told(sent_calibration(held)) == _told(sent)


def _told(sent: SentCalibration) -> Mapping[str, Any]:
    """What it says of the sensor."""
    return sent.model_dump(
        mode="json", include={"sensor", "plan", "dark", "levels", "left_out", "due_on"}
    )


def _signed(signed: SignedHere) -> Signed:
    at_utc: datetime = signed.at_utc
    return Signed(who=signed.who, at_utc=at_utc, why=signed.why)
