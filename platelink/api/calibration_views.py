"""Calibrations, in the models of the contract. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import date

from platelink.api.views import utc, utc_if_any
from platelink.calibrations.made import Entry, Made, in_force, step_since
from platelink.contract import calibrations as c
from platelink.sensing.calibration import UNIT, Calibration, Counts, Line


def brief(made: Made, of_sensor: Sequence[Made], *, today: date) -> c.Calibration:
    """A calibration among all of its sensor."""
    done, holds = made.calibration(), in_force(of_sensor)
    instrument, line, due_on = made.plan.instrument, made.line, made.due_on
    return c.Calibration(
        name=made.name,
        sensor=made.sensor,
        revision=made.revision,
        stage=str(made.stage),
        in_force=holds is not None and holds.revision == made.revision,
        cause=str(made.plan.cause),
        reference=asdict(instrument) | {"due_on": instrument.due_on.isoformat()},
        unit=UNIT[made.quantity],
        levels=len(made.used()),
        begun_by=made.begun.who,
        begun_utc=utc(made.begun.at_utc),
        finished_utc=utc_if_any(None if made.finished is None else made.finished.at_utc),
        approved_by=None if made.approved is None else made.approved.who,
        due_on=None if due_on is None else due_on.isoformat(),
        days_left=None if due_on is None else (due_on - today).days,
        gain=None if line is None else line.gain,
        offset=None if line is None else line.offset,
        u=None if done is None else done.expanded_u(),
        top=None if line is None else line.value(line.x_high),
        asks=_asks(done, of_sensor),
    )


def _asks(done: Calibration | None, of_sensor: Sequence[Made]) -> str:
    """Against the newest approved one before it."""
    if done is None:
        return ""
    before = in_force([made for made in of_sensor if made.revision < done.revision])
    known = None if before is None else before.calibration()
    return "" if known is None else step_since(known, done)


def whole(of: c.Calibration, made: Made, history: Iterable[Entry]) -> c.CalibrationWhole:
    """With everything read and done."""
    residuals = iter(made.line.residuals if made.line else ())
    used = dict(zip(made.numbers(), made.used(), strict=True))
    levels = [
        c.LevelNow(
            number=number,
            reference=level.reference,
            x=used.get(number, level).x,
            counts=counts_view(level.counts),
            residual=next(residuals, None) if number in used else None,
            left_out=made.left_out.get(number),
        )
        for number, level in enumerate(made.levels, 1)
    ]
    return c.CalibrationWhole(
        **dict(of),
        dark=None if made.dark is None else counts_view(made.dark),
        level=levels,
        line=None if made.line is None else _line(made.line),
        history=[
            c.Step(act=str(e.act), at_utc=utc(e.at_utc), who=e.who, why=e.why, body=e.body)
            for e in history
        ],
    )


def counts_view(counts: Counts) -> c.Counts:
    """A settled reading."""
    return c.Counts(**asdict(counts))


def _line(line: Line) -> c.LineNow:
    (oo, _), (_, gg) = line.covariance
    return c.LineNow(
        offset=line.offset,
        gain=line.gain,
        u_offset=math.sqrt(oo),
        u_gain=math.sqrt(gg),
        dof=line.dof,
        residual_sd=line.residual_sd,
        bow=line.bow,
        x_low=line.x_low,
        x_high=line.x_high,
    )
