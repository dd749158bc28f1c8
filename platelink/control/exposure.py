"""One exposure, from contact vacuum to after-glow, as a state machine. Pure.

Driven by the operator's commands, by samples and reports of the device, and by time; each input
returns what to send, what to note and, once, how it ended. The device closes the lamp by the
standing order; this machine decides when light may begin and what to do when something is wrong:
dark and resumable, or ended with its reason. It never replaces the unit's own interlock.

The moves between states are in ``states.TRANSITIONS``; ``_move`` is the only place that makes one.
"""

from __future__ import annotations

import math
from dataclasses import replace

from platelink.control.alarm_states import Condition
from platelink.control.contact import Finding, Verdict
from platelink.control.dose import DoseMeter, DoseRule, Point, point_of
from platelink.control.exposure_request import BEEP_MS, ExposureRequest, ExposureStatus, Optics
from platelink.control.readiness import Readiness
from platelink.control.states import (
    ENDED,
    TRANSITIONS,
    Ended,
    ExposureOutput,
    Learned,
    Machine,
    Plain,
    State,
    Step,
)
from platelink.control.stretch import NO_LIGHT_S, Phase, Stretch, StretchPlan
from platelink.link import messages as m
from platelink.sensing.readings import Reading

VACUUM_HOLD_MS = 3000
"""The device drops the vacuum this long after the last renewal."""
VACUUM_RENEW_S = 1.0
"""A third of the above: two lost renewals do no harm."""
OPENING_LIMIT_S = 5.0
"""Longest time from the standing order to the lamp on."""
CLOSE_AGAIN_S = 0.5
"""A close that the samples do not confirm is sent again."""
SILENT_MARGIN_S = 5.0
"""How long past the guard time a silent device is waited for."""
UNKNOWN_SHARE = 0.01
"""Largest share of the target that may be unknown in an exposure that goes on."""

_ALL_INPUTS = m.Input.INTERLOCK_CLOSED | m.Input.STOP_RELEASED
_REST = {
    State.HOLDING: State.HELD,
    State.STOPPING: State.STOPPED,
    State.ABORTING: State.ABORTED,
}
_CONTACT_STEPS = (Step.CONTACT, Step.ARM, Step.LIGHT)
_STEPS = {Phase.OPENING: Step.ARM, Phase.LIGHT: Step.LIGHT, Phase.TAIL: Step.TAIL}


class Exposure(Machine):
    """See the file's first lines. ``order`` is the first free order number of the device."""

    def __init__(
        self, request: ExposureRequest, optics: Optics, learned: Learned, *, order: int, now: float
    ) -> None:
        super().__init__()
        self.request = request
        self.optics = optics
        self.order = order
        """Number of the newest standing order given or to be given."""
        self._learned = learned
        self._deficit_s = learned.warm_up_deficit_s
        self._expected_mw_cm2 = learned.irradiance_mw_cm2 or optics.expected_mw_cm2
        rule = DoseRule(optics.light, optics.reciprocity_p, optics.reference_mw_cm2)
        self._meter = DoseMeter(rule)
        self._now = now
        self._reason = ""
        self._contact_step = False
        self._ready = Readiness(request.contact)
        self._waiting: tuple[str, ...] = ()
        self._seen_at = now
        self._stretch: Stretch | None = None
        self._over: list[Stretch] = []
        self._link_up = True
        self._vacuum_due = math.inf
        self._opening_until = math.inf
        self._close_due = math.inf
        self._silent_until = math.inf
        self._trouble: Condition | None = None

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def step(self) -> Step:
        """What it is doing within its state."""
        if self._contact_step:
            return Step.CONTACT
        return Step.NONE if self._stretch is None else _STEPS[self._stretch.phase]

    @property
    def dose_mj_cm2(self) -> float:
        """Effective dose so far, after-glow included as far as seen."""
        return self._meter.dose_mj_cm2

    @property
    def remaining_mj_cm2(self) -> float:
        """Dose still missing."""
        return max(0.0, self.request.target_dose_mj_cm2 - self.dose_mj_cm2)

    @property
    def integrating(self) -> bool:
        """True while light is counted: from the order's opening to the end of its after-glow."""
        return self.step in (Step.LIGHT, Step.TAIL)

    @property
    def light_s(self) -> float:
        """Seconds with the lamp on, all stretches."""
        stretches = [*self._over, self._stretch] if self._stretch else self._over
        return sum(s.light_s for s in stretches if s is not None)

    def status(self) -> ExposureStatus:
        """Plain values for a page or a status message."""
        lit = self._stretch is not None and self._stretch.phase is Phase.LIGHT
        return ExposureStatus(
            state=self.state,
            step=self.step,
            dose_mj_cm2=self.dose_mj_cm2,
            target_dose_mj_cm2=self.request.target_dose_mj_cm2,
            irradiance_mw_cm2=self._meter.window.irradiance_mw_cm2 if self.integrating else 0.0,
            remaining_s=self._stretch.remaining_s if lit and self._stretch else math.nan,
            light_s=self.light_s,
            waiting_for=self._waiting,
            reason=self._reason,
        )

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know, as of the last input."""
        return () if self._trouble is None or self.state in ENDED else (self._trouble,)

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        if self.state in ENDED:
            return None
        due = min(self._opening_until, self._silent_until)
        if self._link_up:  # nothing is sent over a link that is down
            due = min(due, self._vacuum_due, self._close_due)
        if self._contact_step:
            due = min(due, self._ready.deadline() or math.inf)
        return due if math.isfinite(due) else None

    # --- commands of the operator ----------------------------------------------------------

    def start(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Begin: vacuum (if asked for), dark reading, then light as soon as it is allowed."""
        self._now = now
        if self._allowed("start", State.IDLE):
            self._move(State.RUNNING)
            self._enter_contact()
        return self._take()

    def hold(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """Lamp off, remainder kept."""
        self._now = now
        if self._allowed("hold", State.RUNNING, State.RESTARTING):
            self._leave(State.HOLDING, reason)
        return self._take()

    def restart(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Go on with the remainder of a held exposure."""
        self._now = now
        if self._allowed("restart", State.HELD):
            if not self._link_up:
                self._note("refused", "restart refused: no link to the device")
                return self._take()
            rate = self._meter.rule.rate(self._expected_mw_cm2)
            if self.remaining_mj_cm2 <= self._learned.afterglow_s * rate:
                self._reason = "target dose reached"  # one tick of light would be too much
                self._finish(State.COMPLETE)
                return self._take()
            self._move(State.RESTARTING)
            self._note("restarted", f"restarting with {self.remaining_mj_cm2:.1f} mJ/cm² to go")
            self._enter_contact()
        return self._take()

    def stop(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """End in good order; the plate is not complete."""
        return self._end_early(State.STOPPING, reason, now)

    def abort(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """End at once; something is wrong."""
        return self._end_early(State.ABORTING, reason, now)

    def _end_early(self, passing: State, reason: str, now: float) -> tuple[ExposureOutput, ...]:
        self._now = now
        if self.state in (State.IDLE, State.HELD):
            self._reason = reason
            self._finish(_REST[passing])
        elif passing in TRANSITIONS[self.state]:
            self._leave(passing, reason)
        else:
            self._allowed(passing.value)
        return self._take()

    # --- what the device says --------------------------------------------------------------

    def sample(
        self,
        sample: m.Sample,
        reading: Reading,
        *,
        tick_s: float,
        tick_uncertainty: float,
        now: float,
    ) -> tuple[ExposureOutput, ...]:
        """Take one Sample with its reading; ``tick_s`` is the fitted length of a device tick."""
        self._now = now
        if self.state in ENDED:
            return ()
        point = point_of(sample, reading, tick_s, len(self.optics.light.channels))
        self._ready.dark(sample, point, lit=self.integrating)
        if self.step in _CONTACT_STEPS and self.state not in _REST:
            self._judge(self._ready.contact(reading, now=reading.t))
        if self._contact_step:
            self._wait_for_light(sample, point, tick_uncertainty)
        elif self._stretch is not None:
            self._go_on(self._stretch, sample, reading, point)
        self._due()
        return self._take()

    def order_report(
        self, report: m.OrderReport, *, open_ticks: int, close_ticks: int, now: float
    ) -> tuple[ExposureOutput, ...]:
        """Take the device's account of the order: exact sums at its close."""
        self._now = now
        if self._stretch is not None:
            self._out += self._stretch.order_report(report, open_ticks, close_ticks)
            self._meter = self._stretch.meter
            self._after(self._stretch)
        return self._take()

    def answered(
        self, command: m.Command, code: m.ReplyCode, *, now: float
    ) -> tuple[ExposureOutput, ...]:
        """Take the device's answer to one of our commands."""
        self._now = now
        mine = isinstance(command, m.Arm | m.Open) and command.order == self.order
        if mine and self.step is Step.ARM and self.state not in _REST:
            if code is not m.ReplyCode.OK:
                what = "the standing order" if isinstance(command, m.Arm) else "light"
                self._leave(
                    State.HOLDING,
                    f"the device refused {what} ({code.name.lower().replace('_', ' ')}); "
                    "check interlock and stop, then restart",
                )
            elif isinstance(command, m.Arm):
                self._send(m.Open(self.order))
        return self._take()

    def unanswered(self, command: m.Command, *, now: float) -> tuple[ExposureOutput, ...]:
        """One of our commands got no answer after all tries."""
        self._now = now
        mine = isinstance(command, m.Arm | m.Open) and command.order == self.order
        if mine and self.step is Step.ARM and self.state not in _REST:
            self._leave(State.HOLDING, "the device did not answer the standing order; restart")
        return self._take()

    def link_lost(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """The device is silent. An open order goes on by itself; nothing new is begun."""
        self._now = now
        self._link_up = False
        if self.state in ENDED:
            return ()
        self._note("link lost", reason)
        if self._contact_step:
            self._leave(State.HOLDING, f"link lost before light: {reason}")
        elif self._stretch is not None:
            # The order cannot last past its guard; wait that long for the link, and a little more.
            self._silent_until = now + self._stretch.plan.guard_s + SILENT_MARGIN_S
        return self._take()

    def device_back(self, *, rebooted: bool, now: float) -> tuple[ExposureOutput, ...]:
        """The link is up again; ``rebooted`` when the device started anew, its sums lost."""
        self._now = now
        self._link_up = True
        self._silent_until = math.inf
        if self.state in ENDED:
            return ()
        if rebooted:
            self._ready.device_restarted()
            self._device_restarted()
        elif self._stretch is not None:
            self._send(m.GetOrder())
        if self._vacuum_due < math.inf:
            self._vacuum_due = now
        self._due()
        return self._take()

    def tick(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Run what is due; early or repeated calls change nothing."""
        self._now = now
        if self.state in ENDED:
            return ()
        if now >= self._silent_until:
            self._give_up()
            return self._take()
        if self._contact_step:
            self._judge(self._ready.expired(now=now))
        if now >= self._opening_until:
            self._opening_until = math.inf
            self._leave(
                State.HOLDING, f"lamp not on {OPENING_LIMIT_S:.0f} s after the standing order"
            )
        self._due()
        return self._take()

    # --- before light ----------------------------------------------------------------------

    def _enter_contact(self) -> None:
        """Vacuum on, latch cleared; a hold test is made again after every hold."""
        self._contact_step = True
        self._reason = ""
        self._trouble = None
        self._waiting = ()
        self._ready.begin(now=self._now)
        self._send(m.ResetLatch())
        if self.request.contact:
            self._vacuum_due = self._now
        self._due()

    def _wait_for_light(self, sample: m.Sample, point: Point, tick_uncertainty: float) -> None:
        if sample.latched and sample.inputs & _ALL_INPUTS == _ALL_INPUTS:
            self._send(m.ResetLatch())
            return
        waiting = self._ready.missing(sample, point, tick_uncertainty)
        if waiting != self._waiting:
            self._waiting = waiting
            if waiting:
                self._note("waiting", "waiting for " + ", ".join(waiting))
        if not waiting:
            # Another daemon, or none of ours before a restart, may have given orders since.
            self.order = max(self.order, sample.order + 1)
            self._arm(point)

    def _judge(self, finding: Finding) -> None:
        if finding.verdict is Verdict.LOST:
            self._trouble = finding.trouble
            give_up = self.request.abort_on_leak and self.step is Step.LIGHT
            self._leave(State.ABORTING if give_up else State.HOLDING, finding.text)
        elif finding.verdict is Verdict.HELD:
            self._note("contact held", finding.text, self._ready.contact_data())

    def predicted_s(self) -> float:
        """Seconds of light for the remainder at the irradiance expected."""
        rate = self._meter.rule.rate(self._expected_mw_cm2)
        learned = self._learned
        return self.remaining_mj_cm2 / rate + learned.warm_up_deficit_s - learned.afterglow_s

    def _arm(self, point: Point) -> None:
        """Everything holds: give the standing order."""
        darks = self._ready.dark_counts(point)
        assert darks is not None
        rule = self._meter.rule
        predicted_s = self.predicted_s()
        left_s = self.request.max_light_s - self.light_s
        problem = rule.light.dark_problem(darks)
        if predicted_s > left_s:
            problem = (
                f"the target needs about {predicted_s:.0f} s at {self._expected_mw_cm2:.2f} "
                f"mW/cm², the limit leaves {left_s:.0f} of {self.request.max_light_s:.0f} s; "
                "change the lamps or raise the limit"
            )
        if problem:
            self._leave(State.HOLDING, problem)
            return
        light = rule.light.with_dark(darks)
        self._meter.rule = DoseRule(light, rule.reciprocity_p, rule.reference_mw_cm2)
        generous_s = self.request.guard_factor * max(0.0, predicted_s) + NO_LIGHT_S
        plan = StretchPlan(
            order=self.order,
            target_dose_mj_cm2=self.request.target_dose_mj_cm2,
            guard_s=min(left_s, generous_s),
            silence_s=self.request.silence_s,
            silence_policy=self.request.silence_policy,
            expected_mw_cm2=self._expected_mw_cm2,
            learned=self._learned,
            tolerance_pct=self.request.tolerance_pct,
        )
        self._contact_step = False
        self._stretch = Stretch(plan, self._meter, point)
        self._opening_until = self._now + OPENING_LIMIT_S
        data: dict[str, Plain] = {
            "order": self.order,
            "predicted_s": predicted_s,
            "guard_s": plan.guard_s,
            "head_c": point.head_c,
        }
        data |= {f"dark_counts_{i}": dark for i, dark in enumerate(darks)}
        self._note("armed", f"about {predicted_s:.1f} s of light expected", data, point.ticks)
        self._send(self._stretch.arm())

    # --- light -----------------------------------------------------------------------------

    def _go_on(self, stretch: Stretch, sample: m.Sample, reading: Reading, point: Point) -> None:
        ending = self.state in _REST
        begun = sample.order_state in _BEGINNING or (
            sample.order_state == m.OrderState.CLOSED and sample.order == self.order
        )
        if ending and stretch.phase is Phase.OPENING and not begun:
            self._stretch = None  # the order was taken back before light
            self._rest()
            return
        self._seen_at = self._now
        self._out += stretch.sample(sample, point, refine=not ending)
        self._meter = stretch.meter
        light = self._meter.rule.light
        if stretch.phase is Phase.LIGHT and light.saturated(sample.light_max, self.optics.adc_max):
            top = float(self.optics.adc_max)
            stretch.trouble = Condition("light sensor saturated", True, top, top)
            stretch.fault = (
                f"light sensor at its limit of {self.optics.adc_max} counts; lower its gain, "
                "calibrate, then restart"
            )
        self._after(stretch)

    def _after(self, stretch: Stretch) -> None:
        """Draw the conclusions of what the stretch has just learned."""
        if stretch.phase is not Phase.OPENING:
            self._opening_until = math.inf
        if stretch.phase is Phase.LIGHT and self.state is State.RESTARTING:
            self._move(State.RUNNING)
        if stretch.fault and self.state is State.RUNNING:
            self._trouble = stretch.trouble
            self._leave(State.HOLDING, stretch.fault)
        if stretch.phase in (Phase.TAIL, Phase.OVER):
            self._close_due = math.inf
        if stretch.phase is Phase.OVER:
            self._stretch = None
            self._over.append(stretch)
            taught = stretch.learned()
            if taught is not None and taught.irradiance_mw_cm2:
                # A remainder is predicted, and guarded, by the lamps as they were just seen.
                self._learned = taught
                self._expected_mw_cm2 = taught.irradiance_mw_cm2
            self._conclude(stretch.close_reason)

    def _conclude(self, reason: m.CloseReason) -> None:
        """The lamp is off and its after-glow counted: where does that leave the exposure?"""
        reached = reason is m.CloseReason.DOSE or self.remaining_mj_cm2 <= 0.0
        if reached and self.state is not State.ABORTING:
            if self.state is State.RESTARTING:
                self._move(State.RUNNING)
            self._reason = "target dose reached"
            self._finish(State.COMPLETE)
        elif self.state in _REST:
            self._rest()
        elif reason is m.CloseReason.STOP:
            self._leave(State.STOPPING, "stop button pressed")
        else:
            if reason is m.CloseReason.GUARD:
                last = self._over[-1]
                self._trouble = Condition("guard ended it", True, last.light_s, last.plan.guard_s)
            self._leave(State.HOLDING, _CLOSED_BY[reason].format(self.remaining_mj_cm2))

    def _device_restarted(self) -> None:
        """The device lost its sums. What light fell after the last sample is not known."""
        stretch, self._stretch = self._stretch, None
        self._opening_until = self._close_due = math.inf
        if stretch is None or stretch.phase is Phase.OPENING:
            if self.state in _REST:
                self._rest()
            elif self.state is not State.HELD:
                self._leave(State.HOLDING, "the device restarted before light; restart")
            return
        self._over.append(stretch)
        if stretch.phase is Phase.TAIL:
            self._note("device restarted", "the last of the after-glow is not counted")
            self._conclude(stretch.close_reason)
            return
        gap_s = self._now - self._seen_at
        unknown = gap_s * self._meter.rule.rate(self._meter.window.irradiance_mw_cm2)
        text = (
            f"the device restarted with the lamp on; up to {unknown:.2f} mJ/cm² in {gap_s:.2f} s "
            "are not known"
        )
        if unknown > UNKNOWN_SHARE * self.request.target_dose_mj_cm2:
            self._leave(State.ABORTING, text + "; judge the plate")
        elif self.state in _REST:
            self._note("device restarted", text)
            self._rest()
        else:
            self._leave(State.HOLDING, text + "; restart")

    def _give_up(self) -> None:
        """The device stayed silent for longer than its lamp can have been on."""
        self._reason = (
            f"no word from the device past its guard time; last known dose "
            f"{self.dose_mj_cm2:.1f} of {self.request.target_dose_mj_cm2:.1f} mJ/cm²; check the "
            "cable, then judge the plate"
        )
        if self._stretch is not None:
            self._over.append(self._stretch)
        if self.state is not State.ABORTING:
            self._move(State.ABORTING)
        self._finish(State.ABORTED)

    # --- moves -----------------------------------------------------------------------------

    def _leave(self, passing: State, reason: str) -> None:
        """Turn to holding, stopping or aborting: lamp off first, then rest once it is dark."""
        if self.state is not passing:
            if passing not in TRANSITIONS[self.state]:
                return
            self._move(passing)
        self._reason = reason
        self._contact_step = False
        self._note(passing.value, reason)
        stretch = self._stretch
        if stretch is None:
            self._rest()
        elif stretch.phase in (Phase.OPENING, Phase.LIGHT):
            self._opening_until = math.inf
            self._close_due = self._now
            self._due()

    def _rest(self) -> None:
        """From holding, stopping or aborting into the state of rest behind it."""
        rest = _REST[self.state]
        self._close_due = math.inf
        if rest in ENDED:
            self._finish(rest)
            return
        self._move(rest)
        self.order += 1
        text = f"held with {self.remaining_mj_cm2:.1f} mJ/cm² to go"
        self._note("held", text, {"remaining_mj_cm2": self.remaining_mj_cm2})
        self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))

    def _finish(self, end: State) -> None:
        """Into a final state: outputs off, the result told once."""
        self._move(end)
        self._contact_step = False
        self._stretch = None
        if self._vacuum_due < math.inf:
            self._send(m.SetOutput(m.Output.VACUUM, 0, VACUUM_HOLD_MS))
            self._vacuum_due = math.inf
        self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))
        plain = self._meter.rule.reciprocity_p == 1.0
        counted = [s.device_mj_cm2 for s in self._over if s.device_mj_cm2 is not None]
        told = plain and self._over and len(counted) == len(self._over)
        self._out.append(
            Ended(
                state=end,
                reason=self._reason,
                dose_mj_cm2=self.dose_mj_cm2,
                device_dose_mj_cm2=sum(counted) if told else None,
                light_s=self.light_s,
                learned=self._learned_now(),
            )
        )

    def _learned_now(self) -> Learned | None:
        """What the last stretch taught; the warm-up only where the exposure was one stretch."""
        learned = self._over[-1].learned() if self._over else None
        if learned is None or len(self._over) == 1:
            return learned
        return replace(learned, warm_up_deficit_s=self._deficit_s)

    def _due(self) -> None:
        """Renew the vacuum and repeat an unconfirmed close, when it is time."""
        if not self._link_up:
            return
        if self._now >= self._vacuum_due:
            self._send(m.SetOutput(m.Output.VACUUM, 1, VACUUM_HOLD_MS))
            self._vacuum_due = self._now + VACUUM_RENEW_S
        if self._now >= self._close_due:
            if self._stretch is not None and self._stretch.phase is Phase.OPENING:
                self._send(m.Disarm(self.order))
            self._send(m.Close(self.order))
            self._close_due = self._now + CLOSE_AGAIN_S

    def _allowed(self, command: str, *states: State) -> bool:
        if self.state in states:
            return True
        self._note("refused", f"{command} is not possible while {self.state}")
        return False


_BEGINNING = (m.OrderState.ARMED, m.OrderState.OPEN)
_CLOSED_BY = {
    m.CloseReason.NONE: "the lamp went off for no stated reason with {:.1f} mJ/cm² to go; restart",
    m.CloseReason.HOST: "the lamp was switched off with {:.1f} mJ/cm² to go; restart",
    m.CloseReason.GUARD: (
        "the guard time ran out with {:.1f} mJ/cm² to go; check lamps and sensor, then restart"
    ),
    m.CloseReason.SILENCE: (
        "the device heard nothing from the host and closed with {:.1f} mJ/cm² to go; restart"
    ),
    m.CloseReason.INTERLOCK: "interlock opened with {:.1f} mJ/cm² to go; close it, then restart",
}
