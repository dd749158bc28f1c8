"""One bake: oven minutes count only while the air in it is in the band. Pure.

What is measured is the air; where the lag of the plate behind it is known, the plate is told too.
Driven by the operator's commands, by oven temperatures and by time. The oven has a thermostat of
its own; this machine measures, tells, and holds what a person must judge. Times of readings are
those of the device mapped to host monotonic seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import (
    OVEN_BAND_NEVER_REACHED,
    OVEN_DOOR_OPEN,
    OVEN_OVER_TEMPERATURE,
    OVEN_SENSOR_LOST,
)
from platelink.control.light.request import BEEP_MS
from platelink.control.states import ENDED, ExposureOutput, Plain, State
from platelink.control.steps.bake_status import BakeStatus, BakeStep
from platelink.control.steps.door import KEPT, ClosedFalls, DoorWatch
from platelink.control.steps.lagging import LaggingPlate, PlateTotals
from platelink.control.steps.oven import BakeRequest, OvenTotals
from platelink.control.steps.unswitched import Unswitched
from platelink.events.light import Cause, Held, Restarted
from platelink.events.steps import (
    BakeEnded,
    BakeResumed,
    BakeStarted,
    BandNeverReached,
    InBand,
    OutOfBand,
    OvenDoorClosed,
    OvenDoorOpen,
    OvenGap,
    OvenOverTemperature,
    OvenSensorBack,
    OvenSensorLost,
)
from platelink.link import messages as m

SNAPSHOT_FORMAT = 1
_COUNTING = (State.RUNNING, State.RESTARTING)


class Bake(Unswitched):
    """See the file's first lines."""

    def __init__(
        self, request: BakeRequest, falls: ClosedFalls | None = None, *, now: float
    ) -> None:
        """``falls``: of the oven, known from earlier bakes; None: of this one only."""
        super().__init__(now=now)
        self.request = request
        self.oven_c: float | None = None
        """Newest valid reading."""
        self.door_openings = 0
        self._meter = request.meter()
        self._plate = None if request.plate_lag_s is None else LaggingPlate(
            request.plate_lag_s, gap_limit_s=request.gap_limit_s,
            reference_c=request.equivalent_at_c, activation_kj_mol=request.activation_kj_mol,
        )  # fmt: skip
        self._door = DoorWatch(
            ClosedFalls() if falls is None else falls, low_c=request.low_c,
            unlearned_c_per_min=request.door_fall_c_per_min,
        )  # fmt: skip
        self._start_at: float | None = None
        self._end_at = math.inf
        self._t = now  # of the newest reading
        self._band_at = now  # last in the band, or began to wait for it
        self._in_band = False
        self._over_since: float | None = None
        self._over_reported = False
        self._lost = False
        self._never = False

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def step(self) -> BakeStep:
        """What it is doing within its state."""
        if self.state not in _COUNTING:
            return BakeStep.NONE
        if self._lost or self.oven_c is None:
            return BakeStep.BLIND
        if self._in_band:
            return BakeStep.IN_BAND
        return BakeStep.OUT_OF_BAND if self._meter.totals.reached else BakeStep.HEATING

    @property
    def in_band_s(self) -> float:
        """Time in the band so far."""
        return self._meter.totals.in_band_s

    def status(self) -> BakeStatus:
        """As of the last input."""
        totals, indexed = self._meter.totals, self.request.activation_kj_mol is not None
        plate = self._plate.totals if self._plate is not None else None
        return BakeStatus(
            state=self.state,
            step=self.step,
            oven_c=self.oven_c,
            in_band_s=totals.in_band_s,
            needed_s=self.request.in_band_s,
            elapsed_s=self._elapsed_s(),
            gap_s=totals.gap_s,
            mean_c=totals.mean_c,
            min_c=totals.min_c,
            max_c=totals.max_c,
            equivalent_s=totals.equivalent_s if indexed else None,
            plate_c=plate.plate_c if plate and self._start_at is not None else None,
            plate_max_c=plate.plate_max_c if plate else None,
            plate_equivalent_s=plate.plate_equivalent_s if plate and indexed else None,
            door_open=self._door.open,
            door_openings=self.door_openings,
            reason=self.reason,
        )

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know, as of the last input."""
        request, going_on = self.request, self.state in _COUNTING
        over = self.state not in ENDED and self._over_reported
        return (
            Condition(OVEN_OVER_TEMPERATURE, over, self.oven_c, request.over_c),
            Condition(
                OVEN_DOOR_OPEN, going_on and self._door.open, self._door.slope_c_per_min,
                -self._door.limit_c_per_min,
            ),
            Condition(
                OVEN_SENSOR_LOST, going_on and self._lost, self._now - self._t,
                request.sensor_limit_s,
            ),
            Condition(
                OVEN_BAND_NEVER_REACHED, going_on and self._never, self._now - self._band_at,
                request.band_limit_s,
            ),
        )  # fmt: skip

    def next_deadline(self) -> float | None:
        """When, without a further reading, something must be said."""
        if self.state not in _COUNTING:
            return None
        dues = []
        if not self._lost:
            dues.append(self._t + self.request.sensor_limit_s)
        if not self._never and not self._in_band:
            dues.append(self._band_at + self.request.band_limit_s)
        return min(dues, default=None)

    def _elapsed_s(self) -> float:
        return 0.0 if self._start_at is None else min(self._now, self._end_at) - self._start_at

    # --- readings and time -----------------------------------------------------------------

    def reading(self, oven_c: float | None, *, t: float, now: float) -> tuple[ExposureOutput, ...]:
        """Take one oven temperature, measured at ``t``. None, a number that is not finite, or one
        not later than the one before counts as no reading."""
        self._now = max(self._now, now)  # what is due is said below: the reading may change it
        t = min(t, self._now)
        if oven_c is not None and math.isfinite(oven_c) and t > self._t:
            self._take_reading(oven_c, t)
        self._say_due()
        return self._take()

    def _take_reading(self, oven_c: float, t: float) -> None:
        if self.state in ENDED:
            return
        self._t, self.oven_c = t, oven_c
        if self._lost:
            self._lost = False
            self._note(OvenSensorBack(oven_c), f"oven air {oven_c:.1f} °C")
        self._watch_over(oven_c, t)
        if self.state in _COUNTING:
            self._watch_door(oven_c, t)
            self._count(oven_c, t)

    def _say_due(self) -> None:
        if self.state not in _COUNTING:
            return
        request = self.request
        if not self._lost and self._t + request.sensor_limit_s <= self._now:
            self._lost, self._in_band = True, False
            self._note(
                OvenSensorLost(),
                f"no oven temperature for {self._now - self._t:.0f} s (limit "
                f"{request.sensor_limit_s:.0f} s); no minutes are counted; check the sensor "
                "and its wiring",
            )
        late = self._band_at + request.band_limit_s <= self._now
        if late and not self._never and not self._in_band:
            self._never = True
            waited_s, best = self._now - self._band_at, self._meter.totals.max_c
            seen = "no reading" if best is None else f"highest {best:.1f} °C"
            self._note(
                BandNeverReached(waited_s, self.oven_c),
                f"oven air not in its band of {request.low_c:.1f} to {request.high_c:.1f} °C for "
                f"{waited_s:.0f} s ({seen}); check its setting and door",
            )

    def _watch_over(self, oven_c: float, t: float) -> None:
        limit_c = self.request.over_c
        if oven_c <= limit_c:
            self._over_since, self._over_reported = None, False
            return
        if self._over_since is None:
            self._over_since = t
        if self._over_reported or t - self._over_since < self.request.over_s:
            return
        if self.state is State.IDLE:
            return
        self._over_reported = True
        text = (
            f"oven air {oven_c:.1f} °C above its limit {limit_c:.1f} °C for "
            f"{t - self._over_since:.0f} s; switch the oven off, judge the plate, then "
            "restart or abort"
        )
        self._note(OvenOverTemperature(oven_c, limit_c), text)
        if self._can(State.HOLDING):
            self._hold("over-temperature", Cause.OVEN)

    def _watch_door(self, oven_c: float, t: float) -> None:
        was_open = self._door.open
        self._door.add(t, oven_c)
        if self._door.open == was_open:
            return
        slope = self._door.slope_c_per_min
        if self._door.open:
            self.door_openings += 1
            self._note(
                OvenDoorOpen(oven_c, slope),
                f"oven air falls {-slope:.1f} °C/min (limit {self._door.limit_c_per_min:.1f} "
                f"°C/min), now {oven_c:.1f} °C; close its door",
            )
        else:
            self._note(OvenDoorClosed(), f"oven air rises again, {oven_c:.1f} °C")

    def _count(self, oven_c: float, t: float) -> None:
        totals = self._meter.totals
        gap_s = self._meter.add(t, oven_c)
        if self._plate is not None:
            self._plate.add(t, oven_c)
        if gap_s:
            self._note(OvenGap(gap_s), f"{gap_s:.1f} s without an oven temperature are not counted")
        within = self.request.low_c <= oven_c <= self.request.high_c
        if within:
            self._band_at, self._never = t, False
            if self.state is State.RESTARTING:
                self._move(State.RUNNING)
        if within is not self._in_band:
            self._in_band = within
            kind = InBand if within else OutOfBand
            text = f"oven air {oven_c:.1f} °C, {totals.in_band_s:.0f} s in band so far"
            self._note(kind(oven_c, totals.in_band_s), text)
        if totals.in_band_s >= self.request.in_band_s and self._can(State.COMPLETE):
            self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))
            self._end(State.COMPLETE, f"{totals.in_band_s:.0f} s in band")

    # --- hooks -----------------------------------------------------------------------------

    def _started(self) -> None:
        self._start_at = self._now
        request = self.request
        self._note(
            BakeStarted(),
            f"{request.in_band_s:.0f} s between {request.low_c:.1f} and {request.high_c:.1f} °C",
        )
        self._begin_to_count()

    def _begin_to_count(self) -> None:
        """Readings from now on count; the sensor and the band have their time anew."""
        self._t = self._band_at = self._now
        self._in_band = self._never = False
        self._meter.pause()
        if self._plate is not None:
            self._plate.pause()
        self._door.clear()

    def _obstacle(self) -> str:
        if not self._over_reported:
            return ""
        return f"oven air {self.oven_c:.1f} °C is above its limit {self.request.over_c:.1f} °C"

    def _held(self) -> None:
        self._begin_to_count()
        self._note(Held(), f"{self.in_band_s:.0f} of {self.request.in_band_s:.0f} s in band")

    def _restarted(self) -> None:
        self._begin_to_count()
        self._note(Restarted(), f"{self.request.in_band_s - self.in_band_s:.0f} s to go in band")

    def _ending(self, end: State) -> None:
        self._end_at = self._now
        self._in_band = False
        status, totals = self.status(), self._meter.totals
        mean = "no reading" if totals.mean_c is None else f"air mean {totals.mean_c:.1f} °C"
        falls = tuple(round(fall.c_per_min, 3) for fall in self._door.seen[-KEPT:])
        self._note(
            BakeEnded(
                totals.in_band_s, status.elapsed_s, totals.gap_s, totals.mean_c, totals.min_c,
                totals.max_c, status.equivalent_s, self.door_openings, status.plate_max_c,
                status.plate_equivalent_s, falls or None,
            ),
            f"{end}: {totals.in_band_s:.0f} of {self.request.in_band_s:.0f} s in band, {mean}, "
            f"{status.elapsed_s:.0f} s in all; {self.reason}",
        )  # fmt: skip

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Plain]:
        """Plain values to go on from, as of the last input; times are durations."""
        return {
            "format": SNAPSHOT_FORMAT,
            "state": str(self.state),
            "reason": self.reason,
            "elapsed_s": self._elapsed_s(),
            "started": self._start_at is not None,
            "waited_s": self._now - self._band_at,
            "never": self._never,
            "door_openings": self.door_openings,
            **_plain(self._meter.totals),
            **(_plain(self._plate.totals) if self._plate is not None else {}),
        }

    @classmethod
    def from_snapshot(
        cls, request: BakeRequest, snapshot: Mapping[str, Plain], *,
        falls: ClosedFalls | None = None, down_s: float | None, now: float,
    ) -> Bake:  # fmt: skip
        """Go on after ``down_s`` without this program, None where that is not known. What happened
        meanwhile was not measured: a gap. What ``snapshot`` did not write is an error of the
        program: KeyError or ValueError."""
        if snapshot["format"] != SNAPSHOT_FORMAT:
            raise ValueError(f"snapshot of format {snapshot['format']}, not {SNAPSHOT_FORMAT}")
        bake = cls(request, falls, now=now)
        bake.state = State(str(snapshot["state"]))
        bake.reason = str(snapshot["reason"])
        bake.door_openings = int(_number(snapshot, "door_openings"))
        for field in fields(OvenTotals):
            setattr(bake._meter.totals, field.name, snapshot[field.name])
        if bake._plate is not None:
            for field in fields(PlateTotals):
                setattr(bake._plate.totals, field.name, snapshot[field.name])
        elapsed_s = _number(snapshot, "elapsed_s")
        if snapshot["started"]:
            bake._start_at = now - elapsed_s
        if bake.state in ENDED:
            bake._end_at = now
            return bake
        down = max(0.0, down_s or 0.0)
        if bake._start_at is not None:
            bake._start_at -= down
        if bake.state in _COUNTING:
            bake._band_at = now - _number(snapshot, "waited_s") - down
            bake._never = snapshot["never"] is True
            bake._meter.totals.gap_s += down
        if bake.state is not State.IDLE:
            away = "an unknown time" if down_s is None else f"{down:.0f} s"
            bake._note(
                BakeResumed(down_s, bake.in_band_s),
                f"after {away}, not counted; {bake.in_band_s:.0f} of {request.in_band_s:.0f} s "
                "in band",
            )
        return bake


def _plain(totals: OvenTotals | PlateTotals) -> dict[str, Plain]:
    return {field.name: getattr(totals, field.name) for field in fields(totals)}


def _number(snapshot: Mapping[str, Plain], name: str) -> float:
    value = snapshot[name]
    if not isinstance(value, int | float):
        raise ValueError(f"snapshot's {name} is {value!r}, not a number")
    return float(value)
