"""The exposure bed: the exposure that is made on it, its lamps and the frames it needs. Pure.

One exposure at a time is accepted, begun and led; light that no exposure here makes is the end of
an order that was given before. Commands for the device are outputs like all others.
"""

from __future__ import annotations

import math
from dataclasses import replace

from platelink.control.alarm.states import Condition
from platelink.control.contact.gauge import GaugeNature
from platelink.control.light import sentences
from platelink.control.light.advisory import AdvisoryExposure
from platelink.control.light.exposure import Exposure
from platelink.control.light.face import AnyExposure
from platelink.control.light.hour import LightHour
from platelink.control.light.lessons import Lessons
from platelink.control.light.light import LightWatch
from platelink.control.light.request import ExposureStatus
from platelink.control.light.sentences import LEFT_ON
from platelink.control.light.switching import CLOSE_AGAIN_S
from platelink.control.states import ENDED, Ended, ExposureOutput, Noted, Send, State, Step
from platelink.events.light import CalibrationOverdue, Cause, StateMoved
from platelink.events.unit import (
    Asked,
    DeviceDoesNotMatch,
    DeviceRestarted,
    LampSwitchedOff,
    LessonsDropped,
    LightFound,
    LinkLost,
    LinkUp,
)
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.sensing.readings import Reading
from platelink.unit.device_events import mismatch
from platelink.unit.job import Job, UnitSettings
from platelink.unit.outputs import Refused
from platelink.unit.sample_buffer import NOMINAL_TICK_S
from platelink.unit.stamp import Stamp
from platelink.unit.values import ExposureAccepted, ExposureEnded, ExposureMoved

SELDOM = 4
"""Frames come this many times less often while no light is on or asked for."""
CLOCK_KNOWN = 5e-5
"""Relative uncertainty of the device's tick from which on it needs no more frames than that: a
twentieth of what a dose may be off."""
MAX_FRAME_TICKS = 1000
"""The device takes no more."""
DROP_LESSONS = "discard lamp values"
MAX_ORDER = 0xFFFF_FFFF
_NO_NUMBER = "the device's numbers of orders are used up; switch the device off and on"
DAMAGED_FRAMES = 5
"""Samples in a row whose light sums cannot be: no odd frame any more, the exposure is held."""
ANEW_FRAMES = 20
"""As many, while no light is counted: count anew from here."""
REACH_S = 0.5
"""A device that has said nothing for longer hears nothing either: frames come every 50 ms."""
CANNOT_REACH = "cannot reach the unit: use its stop button"
_ENDS = ("hold", "stop", "abort")
_DARK = {State.IDLE, *ENDED}
_GOING_ON = {State.RUNNING, State.RESTARTING}

BedOutput = Send | Noted | Refused | ExposureAccepted | ExposureMoved | ExposureEnded


class Bed:
    """See the file's first lines."""

    def __init__(self, settings: UnitSettings, lessons: Lessons) -> None:
        self.settings = settings
        self.lessons = lessons
        self.exposure: AnyExposure | None = None
        """The newest."""
        self.up = False
        """The device answers."""
        self.lamp_on = False
        """As the device's newest sample says."""
        self.before: ExposureStatus | None = None
        """An exposure that a process before us began and the device has not ended yet."""
        self.watch = LightWatch(settings.optics.dark_mw_cm2, owned=not settings.advisory)
        self._job: Job | None = None
        self._recovered: tuple[float, float, str] | None = None
        """Its dose, what may have fallen on top, and why, as the device told it after its end."""
        self._order = 0
        """The newest standing order that the device has said anything of."""
        self._hour = LightHour()
        self.gauge = GaugeNature(*settings.gauge_s or (settings.frame_ticks * NOMINAL_TICK_S,))
        """What the vacuum gauge has shown, of its noise and of pull-downs."""
        self._device: m.Hello | None = None
        self.mismatch = ""
        """Why the device that answers is not the one that was calibrated."""
        self._close_at = -math.inf
        self._frame_ticks = 0
        """Ticks between two frames, as asked for since the link came up; 0: not yet."""

    # --- what others ask -------------------------------------------------------------------

    @property
    def exposing(self) -> bool:
        """An exposure is accepted or going on."""
        return self.exposure is not None and self.exposure.state not in ENDED

    @property
    def integrating(self) -> bool:
        """Light is counted."""
        return self.exposure is not None and self.exposure.integrating

    def exposure_status(self, *, now: float) -> ExposureStatus | None:
        """Of the newest exposure, here or in a process before us."""
        if self.exposure is not None and (self.exposing or self.before is None):
            status = self.exposure.status()
            if self._recovered is not None:
                dose, more, text = self._recovered
                status = replace(status, dose_mj_cm2=dose, uncertain_mj_cm2=more, reason=text)
        elif self.before is not None:
            status = self.before
        else:
            return None
        return status if self.watch.known(now=now) is not None else status.unheard()

    def recovered(self, run_id: str, dose: float, uncertain: float, text: str) -> None:
        """It is known what a run gave that was not seen to its end."""
        self.before = None
        if self._job is not None and run_id == self._job.run_id:
            self._recovered = dose, uncertain, text

    def take_before(self, before: ExposureStatus) -> tuple[BedOutput, ...]:
        """What is known of an exposure that a process before us began."""
        first, light = self.before is None, self.watch.light
        irradiance = light.irradiance_mw_cm2 if light is not None else math.nan
        left_s = (before.target_dose_mj_cm2 - before.dose_mj_cm2) / irradiance if irradiance else 0
        self.before = replace(before, irradiance_mw_cm2=irradiance, remaining_s=max(0.0, left_s))
        order = light.order if light is not None else None
        text = (
            "the light was already on when this program started, "
            f"{before.dose_mj_cm2:.1f} of {before.target_dose_mj_cm2:.1f} mJ/cm² so far; it "
            "goes off at its dose; hold, stop or abort end it now"
        )
        return (Noted(LightFound(order), text),) if first else ()

    @property
    def waiting(self) -> Job | None:
        """The job accepted and not begun."""
        idle = self.exposure is not None and self.exposure.state is State.IDLE
        return self._job if idle else None

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know."""
        found = self.exposure.conditions() if self.exposure is not None else ()
        return found + self.watch.conditions()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return self.exposure.next_deadline() if self.exposure is not None else None

    def left_light(self, *, now: float) -> bool:
        """Light that no exposure here makes, and that has not just been switched off."""
        return self.lamp_on and not self.exposing and now >= self._close_at

    # --- commands --------------------------------------------------------------------------

    def expose(self, job: Job, *, taken: str, no_link: str, at: Stamp) -> tuple[BedOutput, ...]:
        """Accept an exposure; nothing is sent before ``start``. ``taken`` says why the bed is not
        free for it, empty when it is; ``no_link`` what the link does instead of being up."""
        problem = self._problem(job, taken, no_link)
        if problem:
            return (Refused(problem),)
        optics, learned = self.settings.optics, self.lessons.in_force
        self._job, self._recovered = job, None
        if self.settings.advisory:
            self.exposure = AdvisoryExposure(job.request, optics, learned, now=at.now)
        else:
            self.exposure = Exposure(
                job.request, optics, learned, order=self._order + 1, hour=self._hour,
                gauge=self.gauge, now=at.now,
            )  # fmt: skip
        accepted = ExposureAccepted(job, learned, self._device, self._order)
        if not job.overdue:
            return (accepted,)
        return (accepted, Noted(CalibrationOverdue(), "; ".join(job.overdue) + " (accepted)"))

    def _problem(self, job: Job, taken: str, no_link: str) -> str:
        if self.exposure is not None and self.exposing:
            return f"an exposure is {self.exposure.state}; end it first"
        if taken:
            return taken
        if not self.up:
            return f"no link to the device: {no_link}; see `platelink doctor`"
        if self.watch.left_on or self.mismatch or self._order >= MAX_ORDER:
            return LEFT_ON if self.watch.left_on else self.mismatch or _NO_NUMBER
        if job.overdue and not job.accept_overdue:
            return "; ".join(job.overdue) + "; calibrate, or have a lead continue with it overdue"
        return ""

    def start(self, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Begin the exposure accepted, if there is one: its run is in the record."""
        if self.exposure is None or self.waiting is None:
            return ()
        return self._from(self.exposure.start(now=at.now))

    def recorded(self, everything: bool) -> None:
        """Nothing waits to be written."""
        if isinstance(self.exposure, Exposure):
            self.exposure.recorded(everything)

    def withdraw(self) -> bool:
        """Forget the exposure accepted: its run cannot be recorded, so it is not made. False when
        there was none."""
        waited = self.waiting is not None
        if waited:
            self.exposure = None
        return waited

    def command(self, name: str, reason: str, who: str, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Carry out hold, restart, stop or abort on the present exposure, or drop lessons."""
        if name == DROP_LESSONS:
            return self._drop_lessons(who, reason)
        event = (Noted(Asked(name, who, reason), f"{name}, by {who}"),) if who else ()
        outputs = self.act(name, reason, at=at)
        return event + (outputs or (Refused(f"{name}: no exposure is running"),))

    def act(self, name: str, reason: str, *, at: Stamp) -> tuple[BedOutput, ...]:
        """The same for a plate, whose light may be that of a process before us; nothing where
        there is none."""
        unreached = self._unreached(name, at.now)
        if self.exposing:  # held all the same, as soon as the device hears of it
            return unreached + self._command(name, reason, at)
        if unreached or not (self.lamp_on and name in _ENDS):
            return unreached
        return self.end_left_light(reason, at=at)

    def _unreached(self, name: str, now: float) -> tuple[Refused, ...]:
        """To a person who wants light off that this computer cannot switch off now."""
        if name not in _ENDS or self.settings.advisory:
            return ()
        own = self.exposure if self.exposing else None
        if own is not None and own.status().step not in (Step.ARM, Step.LIGHT):
            return ()
        heard_s = max(REACH_S, 3e-3 * self._frame_ticks)
        light = self.watch.light
        reached = self.up and light is not None and now - light.t <= heard_s
        return () if reached else (Refused(CANNOT_REACH),)

    def _command(self, name: str, reason: str, at: Stamp) -> tuple[BedOutput, ...]:
        exposure, now = self.exposure, at.now
        assert exposure is not None
        match name:
            case "restart" if self.mismatch or self.watch.left_on:
                return (Refused(self.mismatch or LEFT_ON),)
            case "restart":
                return self._from(exposure.restart(reason, now=now))
            case "hold":
                return self._from(exposure.hold(reason, now=now))
            case "stop":
                return self._from(exposure.stop(reason, now=now))
            case "abort":
                return self._from(exposure.abort(reason, now=now))
        return (Refused(f"{name}: not a command; use hold, restart, stop or abort"),)

    def damaged(self, frames: int, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Hold the exposure: sums of so many samples in a row cannot be."""
        exposure = self.exposure
        if not isinstance(exposure, Exposure) or exposure.state not in _GOING_ON:
            return ()
        return self._from(
            exposure.hold(sentences.sums_damaged(frames), now=at.now, cause=Cause.DEVICE)
        )

    def _drop_lessons(self, who: str, why: str) -> tuple[BedOutput, ...]:
        """Forget what lamps taught; not while an exposure is made with it."""
        if self.exposing:
            return (Refused("an exposure is running; discard the lamp values when it has ended"),)
        self.lessons.drop()
        return (Noted(LessonsDropped(who, why), f"lamp values discarded by {who}: {why}"),)

    def end_left_light(self, reason: str, *, at: Stamp) -> tuple[BedOutput, ...]:
        """End the order that nobody here owns."""
        self._close_at = at.now + CLOSE_AGAIN_S
        return Send(m.Close(m.ORDER_NONE)), Noted(LampSwitchedOff(), reason)

    def pace(self, tick_uncertainty: float) -> tuple[Send, ...]:
        """Ask for frames as often as they are needed."""
        on = self.watch.light is not None and self.watch.light.on
        lit = on or (self.exposure is not None and self.exposure.state not in _DARK)
        ticks = self.settings.frame_ticks
        if not (lit or tick_uncertainty > CLOCK_KNOWN):
            ticks = min(SELDOM * ticks, MAX_FRAME_TICKS)
        if ticks == self._frame_ticks or not self.up:
            return ()
        self._frame_ticks = ticks
        return (Send(m.SetFrame(ticks)),)

    # --- what the device says, and time ----------------------------------------------------

    def tick(self, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Run what is due."""
        return self._from(self.exposure.tick(now=at.now)) if self.exposure is not None else ()

    def observe(self, sample: m.Sample, reading: Reading) -> bool:
        """Take order, outputs and light of a sample; True when light is left on or no longer."""
        self._order = max(self._order, sample.order)
        self._hour.sample(sample, reading.ticks)
        self.lamp_on = bool(sample.outputs & m.LAMP_BIT)
        span, pumping = sample.vacuum_max - sample.vacuum_min, sample.outputs & m.VACUUM_BIT
        if reading.vacuum_fresh:
            self.gauge.add(reading.vacuum_kpa, span, pumping=bool(pumping), now=reading.t)
        if self.exposure is not None and self.exposing:
            self.watch.trust(self.exposure.conditions())
        return self.watch.add(sample, reading, self.lessons.in_force.longest_afterglow_s)

    def sample(
        self, sample: m.Sample, reading: Reading, tick_s: float, tick_uncertainty: float,
        *, at: Stamp,
    ) -> tuple[BedOutput, ...]:  # fmt: skip
        """Lead the exposure on with a sample and its reading; sound while light is left on."""
        sound: tuple[BedOutput, ...] = self.watch.sound(now=at.now)
        if self.exposure is None:
            return sound
        return sound + self._from(self.exposure.sample(
            sample, reading, tick_s=tick_s, tick_uncertainty=tick_uncertainty, now=at.now
        ))  # fmt: skip

    def order_report(self, reported: link.OrderReported, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Take the device's account of its newest order."""
        report, (opened, closed) = reported.report, (reported.open_ticks, reported.close_ticks)
        self._order = max(self._order, report.order)
        if self._device is not None and report.boot_id == self._device.boot_id:
            self._hour.report(report, opened, closed)
        if self.exposure is None:
            return ()
        return self._from(
            self.exposure.order_report(report, open_ticks=opened, close_ticks=closed, now=at.now)
        )

    def answered(self, answer: link.CommandAnswered, *, at: Stamp) -> tuple[BedOutput, ...]:
        """Take the device's answer to a command."""
        if self.exposure is None:
            return ()
        return self._from(self.exposure.answered(answer.command, answer.code, now=at.now))

    def unanswered(self, lost: link.CommandUnanswered, *, at: Stamp) -> tuple[BedOutput, ...]:
        """A command got no answer after all tries."""
        if isinstance(lost.command, m.SetFrame):
            self._frame_ticks = 0  # ask again
        if self.exposure is None:
            return ()
        return self._from(self.exposure.unanswered(lost.command, now=at.now))

    def link_up(self, up: link.LinkUp, *, goes_on: bool, at: Stamp) -> tuple[BedOutput, ...]:
        """The device answers; it, or another, may have started anew. ``goes_on``: its sums did."""
        hello = self._device = up.hello
        self.up = True
        kept = hello.capabilities & m.Capability.SUMS_SURVIVE_RESET
        if up.rebooted:
            self._order = self._order if goes_on else 0
            self._hour = self._hour if kept else LightHour()
        self._frame_ticks = 0
        kind, firmware = DeviceRestarted if up.rebooted else LinkUp, map(str, hello.firmware)
        event = kind(hello.boot_id, ".".join(firmware), hello.board, hello.reset_cause)
        outputs: tuple[BedOutput, ...] = (Send(m.GetOrder()), Noted(event, ""))
        self.mismatch = mismatch(self.settings.optics, hello)
        outputs += (Noted(DeviceDoesNotMatch(), self.mismatch),) if self.mismatch else ()
        if self.exposure is None:
            return outputs
        if up.rebooted and goes_on:
            return outputs + self._from(self.exposure.device_kept(hello.tick, now=at.now))
        up_s = 0.0 if kept else hello.tick / hello.tick_hz  # kept ticks began long before
        back = self.exposure.device_back(rebooted=up.rebooted, up_s=up_s, now=at.now)
        return outputs + self._from(back)

    def link_lost(self, lost: link.LinkLost, *, at: Stamp) -> tuple[BedOutput, ...]:
        """The device is silent."""
        self.up = False
        text = lost.measured or lost.reason
        if self.exposure is None or not self.exposing:
            return (Noted(LinkLost(), text),)
        return self._from(self.exposure.link_lost(text, now=at.now))

    # --- what the exposure says ------------------------------------------------------------

    def _from(self, outputs: tuple[ExposureOutput, ...]) -> tuple[BedOutput, ...]:
        if not outputs:
            return ()
        assert self.exposure is not None and self._job is not None
        run_id, found = self._job.run_id, list[BedOutput]()
        for output in outputs:
            if isinstance(output, Ended):
                self.gauge.past.ended(complete=output.state is State.COMPLETE)
                found += self.lessons.learn(output)
                found.append(ExposureEnded(run_id, output))
                continue
            found.append(output)
            if isinstance(output, Noted) and isinstance(output.event, StateMoved):
                reason = self.exposure.status().reason
                found.append(ExposureMoved(run_id, State(output.event.to), reason))
        return tuple(found)
