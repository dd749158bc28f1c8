"""Plates and alarms of a unit, and what a restart goes on from. Pure; the middle of the core."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from platelink.control.alarm_states import Condition
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.room import PlateRoom
from platelink.control.procedure.said import (
    Asked,
    ExposureAct,
    ExposureAsked,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.states import ENDED, Ended, Learned, Send, State
from platelink.daemon.exposure_side import ExposureSide
from platelink.daemon.job import CoreOutput, Job, Refused, UnitSettings
from platelink.daemon.plate_record import PlateRecord
from platelink.daemon.recording import KEPT_ALARMS, KEPT_PLATE, StateKept
from platelink.daemon.unit_watch import UnitWatch
from platelink.sensing.readings import Converter

KEEP_S = 1.0
"""How often what goes on in plates is kept: what a crash may cost of their times."""


@dataclass(frozen=True, slots=True)
class _Pending:
    """An exposure accepted for a plate and not begun yet."""

    plate: str
    asked: Asked


class PlateSide(ExposureSide):
    """See the file's first line."""

    def __init__(
        self, settings: UnitSettings, converter: Converter, learned: Learned, *, now: float
    ) -> None:
        super().__init__(settings, converter, learned, now=now)
        self.room = PlateRoom(replace(settings.steps, own_lamps=settings.advisory))
        self.watch = UnitWatch(now=now)
        self._plate_record = PlateRecord(len(settings.optics.light.channels), settings.conditions)
        self._pending: _Pending | None = None
        self._keep_at = -math.inf
        self._gone: dict[str, Any] = {}
        """Names of kept state whose time is over."""
        self.recovering = False
        """An exposure that a process before us began is still being closed."""
        self._vacuum_on = False

    # --- plates ----------------------------------------------------------------------------

    def make_plate(self, plan: PlatePlan, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Take a plate up and open its run; if that fails, ``withdraw_plate``."""
        self._stamp(now, at_utc_ms)
        problem = self.room.cannot_make(plan)
        if problem:
            self._out.append(Refused(problem))
        else:
            self._out.append(self._plate_record.plate_begun(plan, at_utc_ms))
            self._from_plates(self.room.make(plan, now=now))
        return self._take()

    def withdraw_plate(self, plate: str) -> None:
        """Forget a plate whose run cannot be recorded."""
        self.room.withdraw(plate)

    def act(
        self, plate: str, asked: Asked, *, overdue: tuple[str, ...] = (),
        accept_overdue: bool = False, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Do what a person asks of a plate. An exposure it leads to begins with ``start``."""
        self._stamp(now, at_utc_ms)
        self._overdue = overdue, accept_overdue
        self._from_plates(self.room.act(plate, asked, busy=self.busy(), now=now))
        return self._take()

    _overdue: tuple[tuple[str, ...], bool] = ((), False)

    def busy(self) -> str:
        """Why the bed is not free although no plate is on it."""
        if self.room.on_bed() is not None:
            return ""
        if self.exposure is not None and self.exposure.state not in ENDED:
            return "an exposure without a plate"
        return "an exposure before is still being closed" if self.recovering else ""

    def resume_plate(
        self, plan: PlatePlan, snapshot: dict[str, Any], bakes: dict[str, int],
        *, down_s: float | None, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Take up a plate that a process before us left; ``bakes`` are its bake runs still open
        with the newest tick stored. KeyError, TypeError, ValueError: it cannot be."""
        self._stamp(now, at_utc_ms)
        for run_id, last_ticks in bakes.items():
            self._plate_record.resume(run_id, last_ticks, now=now, at_utc_ms=at_utc_ms)
        self._from_plates(self.room.resume(plan, snapshot, down_s=down_s, now=now))
        return self._take()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, text: str,
        *, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """What an exposure left by a process before us gave."""
        self._stamp(now, at_utc_ms)
        self._from_plates(
            self.room.exposure_recovered(run_id, dose_mj_cm2, uncertain_mj_cm2, text, now=now)
        )
        return self._take()

    def bake_unrecorded(self, run_id: str) -> None:
        """The run of a bake cannot be begun; the bake goes on without."""
        self._plate_record.drop(run_id)

    def _from_plates(self, outputs: tuple[PlateOutput, ...]) -> None:
        for output in outputs:
            match output:
                case Send():
                    self.session.send(output.command, now=self._now)
                case ExposureAsked():
                    self._expose_for(output)
                case ExposureAct():
                    if self.exposure is not None and self.exposure.state not in ENDED:
                        self._command(str(output.act), output.reason)
                    elif self._up and self._lamp_on:  # light of a process before us
                        self._end_left_light(output.reason)
                case PlateRefused():
                    self._out.append(Refused(output.text))
                case _:
                    if isinstance(output, PlateOver):
                        self._gone[KEPT_PLATE + output.plate] = None
                    self._out += self._plate_record.take(
                        output, now=self._now, at_utc_ms=self._at_utc_ms
                    )

    def _expose_for(self, wanted: ExposureAsked) -> None:
        asked, (overdue, accept) = wanted.asked, self._overdue
        plan = self.room.plates[wanted.plate].plan
        job = Job(
            run_id=asked.run_id, step=wanted.step, request=wanted.request, operator=asked.who,
            plate=wanted.plate, job=plan.job, overdue=overdue, accept_overdue=accept,
            asked={"revision": plan.revision, "dose_mj_cm2": wanted.request.target_dose_mj_cm2},
        )  # fmt: skip
        if self._accept(job, wanted.plate):
            self._pending = _Pending(wanted.plate, asked)

    def _keep(self) -> None:
        """What a restart goes on from, when it has changed or has not been kept for a while."""
        room, values = self.room, self._gone
        timed = False
        if self._now >= self._keep_at:
            self._keep_at = self._now + KEEP_S
            timed = any(plate.machine for plate in room.plates.values())
        for name, kept in room.snapshots(everything=timed).items():
            values[KEPT_PLATE + name] = kept
        if self.watch.changed:
            values[KEPT_ALARMS] = self.watch.snapshot()
        if values:
            self._out.append(StateKept(self._at_utc_ms, dict(values)))
            values.clear()

    # --- alarms ----------------------------------------------------------------------------

    def alarm(
        self, name: str, act: str, who: str, why: str, minutes: float | None,
        *, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Do what a person asks of an alarm."""
        self._stamp(now, at_utc_ms)
        events, refused = self.watch.ask(name, act, who, why, minutes, now=now, at_utc_ms=at_utc_ms)
        self._out += events
        if refused:
            self._out.append(Refused(refused))
        return self._take()

    def outside(
        self, conditions: tuple[Condition, ...], *, now: float, at_utc_ms: int
    ) -> tuple[CoreOutput, ...]:
        """Take conditions that only the shell knows."""
        self._stamp(now, at_utc_ms)
        self._out += self.watch.outside(conditions, now=now, at_utc_ms=at_utc_ms)
        return self._take()

    def _watch(self) -> None:
        told = [*self.room.conditions().values()]
        if self.exposure is not None:
            told += self.exposure.conditions()
        self._out += self.watch.look(
            told, up=self._up, reading=self.reading, vacuum_on=self._vacuum_on, now=self._now,
            at_utc_ms=self._at_utc_ms,
        )  # fmt: skip

    # --- what an exposure says ---------------------------------------------------------------

    def withdraw(self) -> None:
        """Forget the exposure accepted; see ``ExposureSide``."""
        super().withdraw()
        self._pending = None

    def _bed_taken(self, for_plate: str | None) -> str:
        on_bed = self.room.on_bed()
        if on_bed is None or on_bed == for_plate:
            return ""
        return f"plate {on_bed} is on the exposure bed; end its step first"

    def _watch_left_light(self) -> None:
        """Light that no exposure of this program makes is the end of an order given before, which
        is awaited; else it is nobody's, or its plate was stopped meanwhile, and is ended."""
        ours = self.exposure is not None and self.exposure.state not in ENDED
        if ours or not self._lamp_on or self._now < self._close_at:
            return
        on_bed = self.room.on_bed()
        plate = self.room.plates[on_bed] if on_bed is not None else None
        if plate is not None and plate.cut and plate.state in (State.STOPPING, State.ABORTING):
            self._end_left_light(f"plate {on_bed} is {plate.state}")
        elif not self.recovering:
            self._end_left_light("light that belongs to no exposure")

    def _exposure_begins(self, run_id: str) -> None:
        pending, self._pending = self._pending, None
        if pending is not None:
            self._from_plates(
                self.room.exposure_begun(pending.plate, run_id, pending.asked, now=self._now)
            )

    def _exposure_moved(self, to: State, run_id: str) -> None:
        self._watch()
        reason = self.exposure.status().reason if self.exposure is not None else ""
        self._from_plates(self.room.exposure_moved(run_id, to, reason, now=self._now))

    def _exposure_over(self, run_id: str, ended: Ended) -> None:
        self._from_plates(self.room.exposure_ended(run_id, ended, now=self._now))

    def _take(self) -> tuple[CoreOutput, ...]:
        if self.watch.due(self._now):
            self._watch()
        self._keep()
        self._pace()
        out, self._out = tuple(self._out), []
        return out
