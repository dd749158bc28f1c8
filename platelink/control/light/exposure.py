"""One exposure, from contact vacuum to after-glow, as a state machine. Pure.

Driven by the operator's commands, by samples and reports of the device, and by time; each input
returns what to send, what to note and, once, how it ended. The device closes the lamp by the
standing order; this machine decides when light may begin and what to do when something is wrong:
dark and resumable, or ended with its reason. It never replaces the unit's own interlock. Moves are
those of ``states.TRANSITIONS``; only ``_move`` makes one.
"""

from __future__ import annotations

import math

from platelink.control.alarm.states import Condition
from platelink.control.contact.finding import Finding, Verdict
from platelink.control.contact.gauge import GaugeNature
from platelink.control.light import conclusions, sentences
from platelink.control.light.approach import Approach, Found
from platelink.control.light.dose import Point, point_of
from platelink.control.light.face import Outputs
from platelink.control.light.hour import LightHour
from platelink.control.light.patience import Patience
from platelink.control.light.request import BEEP_MS, ExposureRequest, ExposureStatus, Optics
from platelink.control.light.stretch import Phase, Stretch
from platelink.control.light.switching import Switching
from platelink.control.light.tally import Tally
from platelink.control.states import (
    ENDED,
    PASSING,
    REST,
    TRANSITIONS,
    Ended,
    Learned,
    Machine,
    Send,
    State,
    Step,
)
from platelink.events.light import Cause, Restarted
from platelink.events.unit import DeviceRestarted, LinkLost
from platelink.link import messages as m
from platelink.sensing.readings import Reading

_CONTACT_STEPS = (Step.CONTACT, Step.ARM, Step.LIGHT)
_STEPS = {Phase.OPENING: Step.ARM, Phase.LIGHT: Step.LIGHT, Phase.TAIL: Step.TAIL}


class Exposure(Machine):
    """See the file's first lines. ``order`` is the first free order number of the device, ``hour``
    the light that it has given, ``gauge`` what its vacuum gauge has shown."""

    def __init__(
        self, request: ExposureRequest, optics: Optics, learned: Learned,
        *, order: int, hour: LightHour, gauge: GaugeNature, now: float,
    ) -> None:  # fmt: skip
        super().__init__()
        self.request = request
        self.optics = optics
        self._tally = Tally(request, optics, learned)
        self._approach = Approach(request, optics, self._tally, order=order, hour=hour, gauge=gauge)
        self._switching = Switching()
        self._now, self._reason = now, ""
        self._stretch: Stretch | None = None
        self._seen_t = now
        """When the device took its newest sample of the light."""
        self._link_up, self._patience = True, Patience()
        self._trouble: Condition | None = None

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def step(self) -> Step:
        """What it is doing within its state."""
        if self._approach.going_on:
            return Step.CONTACT
        return Step.NONE if self._stretch is None else _STEPS[self._stretch.phase]

    @property
    def dose_mj_cm2(self) -> float:
        return self._tally.dose_mj_cm2

    @property
    def integrating(self) -> bool:
        return self.step in (Step.LIGHT, Step.TAIL)

    @property
    def light_s(self) -> float:
        """Seconds with the lamp on, all stretches."""
        return self._tally.light_s(self._stretch)

    def status(self) -> ExposureStatus:
        return ExposureStatus(
            self.state, self.step, self.dose_mj_cm2, self.request.target_dose_mj_cm2,
            self._tally.irradiance_mw_cm2 if self.integrating else 0.0,
            self._stretch.dark_in_s if self._stretch else math.nan,
            self.light_s, self._approach.waiting, self._reason, self._tally.asks,
            self._tally.unknown_mj_cm2,
        )  # fmt: skip

    def conditions(self) -> tuple[Condition, ...]:
        found = self._trouble, self._approach.ready.leak
        return () if self.state in ENDED else tuple(filter(None, found))

    def next_deadline(self) -> float | None:
        if self.state in ENDED:
            return None
        due = self._patience.until
        if self._link_up:  # nothing is sent over a link that is down
            due = min(due, self._switching.next_deadline())
        if self._approach.going_on:
            due = min(due, self._approach.ready.deadline() or math.inf)
        return due if math.isfinite(due) else None

    # --- commands of the operator ----------------------------------------------------------

    def start(self, *, now: float) -> Outputs:
        self._now = now
        if self._allowed("start", State.IDLE):
            self._move(State.RUNNING)
            self._enter_contact()
        return self._take()

    def hold(self, reason: str, *, now: float, cause: Cause = Cause.PERSON) -> Outputs:
        self._now = now
        if self._allowed("hold", State.RUNNING, State.RESTARTING):
            self._leave(State.HOLDING, reason, cause)
        return self._take()

    def restart(self, reason: str, *, now: float) -> Outputs:
        self._now = now
        if self._allowed("restart", State.HELD):
            asked = (tally := self._tally).asks
            refused = conclusions.not_again(tally, reason, link_up=self._link_up)
            if asked and not tally.asks:
                self._out.append(conclusions.at_rest(tally))
            missing = tally.remaining_mj_cm2
            if refused:
                self._refuse(f"restart refused: {refused}")
            elif missing <= tally.least_mj_cm2:  # one tick of light would be too much
                self._finish(State.COMPLETE, "target dose reached")
            else:
                self._move(State.RESTARTING)
                text = f"restarting with {missing:.1f} mJ/cm² to go"
                self._note(Restarted(*tally.doubt), text)
                self._enter_contact()
        return self._take()

    def stop(self, reason: str, *, now: float) -> Outputs:
        return self._end_early(State.STOPPING, reason, now)

    def abort(self, reason: str, *, now: float) -> Outputs:
        return self._end_early(State.ABORTING, reason, now)

    def _end_early(self, passing: State, reason: str, now: float) -> Outputs:
        self._now = now
        if self.state in (State.IDLE, State.HELD):
            self._finish(REST[passing], reason)
        elif passing in TRANSITIONS[self.state]:
            self._leave(passing, reason, Cause.PERSON)
        else:
            self._allowed(passing.value)
        return self._take()

    # --- what the device says --------------------------------------------------------------

    def sample(
        self, sample: m.Sample, reading: Reading,
        *, tick_s: float, tick_uncertainty: float, now: float,
    ) -> Outputs:  # fmt: skip
        self._now = now
        if self.state in ENDED:
            return ()
        point = point_of(sample, reading, tick_s, len(self.optics.light.channels))
        ready, stretch = self._approach.ready, self._stretch
        left_s = stretch.dark_in_s if stretch is not None else math.nan
        ready.dark(sample, point, lit=self.integrating)
        if self.step in _CONTACT_STEPS and self.state not in REST:
            self._judge(ready.contact(reading, left_s, now=reading.t))
        if self._approach.going_on:
            self._take_found(self._approach.look(sample, point, tick_uncertainty))
        elif self._stretch is not None:
            self._go_on(self._stretch, sample, reading, point)
        self._out += self._tally.unordered(point if self._stretch is None else None)
        self._due()
        return self._take()

    def order_report(
        self, report: m.OrderReport, *, open_ticks: int, close_ticks: int, now: float
    ) -> Outputs:
        self._now = now
        if self._stretch is not None:
            self._out += self._stretch.order_report(report, open_ticks, close_ticks)
            self._tally.meter = self._stretch.meter
            self._after(self._stretch)
        return self._take()

    def unanswered(self, command: m.Command, *, now: float) -> Outputs:
        return self.answered(command, None, now=now)

    def answered(self, command: m.Command, code: m.ReplyCode | None, *, now: float) -> Outputs:
        self._now = now
        if self.step is Step.ARM and self.state not in REST:
            self._take_found(self._approach.answered(command, code))
        return self._take()

    def recorded(self, everything: bool) -> None:
        """Nothing of it waits to be written."""
        self._approach.ready.recorded = everything

    def link_lost(self, reason: str, *, now: float) -> Outputs:
        self._now = now
        self._link_up = False
        if self.state in ENDED:
            return ()
        self._note(LinkLost(), reason)
        if self._approach.going_on:
            self._leave(State.HOLDING, f"link lost before light: {reason}", Cause.LINK)
        return self._take()

    def device_back(self, *, rebooted: bool, up_s: float, now: float) -> Outputs:
        self._now = now
        self._link_up = True
        if self.state in ENDED:
            return ()
        if rebooted:
            self._approach.ready.device_restarted()
            self._device_restarted(up_s)
        elif self._stretch is not None:
            self._send(m.GetOrder())
        self._switching.renew(now=now)
        self._due()
        return self._take()

    def device_kept(self, ticks: int, *, now: float) -> Outputs:
        lit = self._tally.kept_until(self._stretch, ticks, now - self._seen_t)
        return self.device_back(rebooted=not lit, up_s=0.0, now=now)

    def tick(self, *, now: float) -> Outputs:
        self._now = now
        if self.state in ENDED:
            return ()
        if self._approach.going_on:
            self._judge(self._approach.ready.expired(now=now))
        if now >= self._patience.until:
            self._run_out()
        self._due()
        return self._take()

    # --- before light ----------------------------------------------------------------------

    def _enter_contact(self) -> None:
        """Vacuum on, latch cleared."""
        self._reason, self._trouble = "", None
        self._approach.begin(now=self._now)
        self._send(m.ResetLatch())
        self._switching.pump(self.request.contact is not None or None, now=self._now)
        self._due()

    def _take_found(self, found: Found) -> None:
        self._out += found.outputs
        if found.problem:
            self._leave(State.HOLDING, found.problem, found.cause)
        elif found.stretch is not None:
            self._stretch, self._seen_t = found.stretch, self._now

    def _judge(self, finding: Finding) -> None:
        if finding.verdict is Verdict.LOST:
            self._trouble = finding.trouble
            give_up = self.request.abort_on_leak and self.step is Step.LIGHT
            cause = finding.cause or Cause.GAUGE
            self._leave(State.ABORTING if give_up else State.HOLDING, finding.text, cause)
        elif finding.event is not None:
            self._note(finding.event, finding.text)
        self._out += map(Send, self._switching.pump(finding.pump, now=self._now))

    # --- light -----------------------------------------------------------------------------

    def _go_on(self, stretch: Stretch, sample: m.Sample, reading: Reading, point: Point) -> None:
        ending = self.state in REST
        if ending and stretch.taken_back(sample):
            self._stretch = None
            self._rest()
            return
        self._seen_t = min(reading.t, self._now)  # the device's clock may have jumped
        self._out += stretch.sample(sample, point, refine=not ending)
        self._tally.meter = stretch.meter
        self._tally.look(sample, point)
        self._after(stretch)

    def _after(self, stretch: Stretch) -> None:
        """Draw the conclusions of what the stretch has just learned."""
        if stretch.phase is Phase.LIGHT and self.state is State.RESTARTING:
            self._move(State.RUNNING)
        if stretch.fault and self.state is State.RUNNING:
            self._trouble = stretch.trouble
            self._leave(State.HOLDING, stretch.fault, conclusions.cause_of(stretch))
        if stretch.phase in (Phase.TAIL, Phase.OVER):
            self._switching.closed()
        if stretch.phase is Phase.OVER:
            self._stretch = None
            self._tally.ended(stretch)
            self._conclude(conclusions.after_close(stretch.close_reason, self._tally, self.state))

    def _conclude(self, found: conclusions.Conclusion) -> None:
        if found.not_counted:
            self._note(DeviceRestarted(), found.not_counted)
        if found.to is State.COMPLETE:
            if self.state is State.RESTARTING:
                self._move(State.RUNNING)
            self._finish(State.COMPLETE, found.reason)
        elif found.to is State.RUNNING:
            self._enter_contact()
        elif found.to is not None:
            self._trouble = found.trouble or self._trouble
            self._leave(found.to, found.reason, found.cause)
        else:
            self._rest()

    def _device_restarted(self, up_s: float) -> None:
        """The device lost its sums: what fell from the last sample to its start is not known."""
        stretch, self._stretch = self._stretch, None
        self._switching.closed()
        known = self._tally, self._now - self._seen_t, up_s, self.state
        if self.state is not State.HELD or stretch is not None:
            self._conclude(conclusions.after_restart(stretch, *known))

    def _run_out(self) -> None:
        """The present part has lasted too long: light off, or nothing more to wait for."""
        if self._link_up and self.state not in REST:
            self._leave(State.HOLDING, self._patience.text, Cause.TOO_LONG)
            return
        tally, silent_s = self._tally, None if self._link_up else self._now - self._seen_t
        if self._stretch is not None:
            tally.ended(self._stretch, silent_s=silent_s)
        silent = sentences.silent(tally.dose_mj_cm2, tally.target_dose_mj_cm2, tally.unknown_mj_cm2)
        if self.state is not State.ABORTING:
            self._move(State.ABORTING)
        self._finish(State.ABORTED, self._patience.text or silent)

    # --- moves -----------------------------------------------------------------------------

    def _leave(self, passing: State, reason: str, cause: Cause) -> None:
        """Turn to holding, stopping or aborting: lamp off first, then rest once it is dark."""
        if self.state is not passing:
            if passing not in TRANSITIONS[self.state]:
                return
            self._move(passing)
        self._reason = reason
        self._approach.going_on = False
        self._note(PASSING[passing](cause), reason)
        stretch = self._stretch
        if stretch is None:
            self._rest()
        elif stretch.phase in (Phase.OPENING, Phase.LIGHT):
            self._switching.close(now=self._now)
            self._due()

    def _rest(self) -> None:
        """From holding, stopping or aborting into the state of rest behind it."""
        rest = REST[self.state]
        self._switching.closed()
        if rest in ENDED:
            self._finish(rest, self._reason)
            return
        self._move(rest)
        self._approach.order += 1
        self._out.append(conclusions.at_rest(self._tally))
        self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))

    def _finish(self, end: State, reason: str) -> None:
        """Into a final state: outputs off, the result told once."""
        self._reason = reason
        self._move(end)
        self._approach.going_on = False
        self._stretch = None
        self._out += map(Send, self._switching.vacuum_off())
        self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))
        self._out.append(
            Ended(
                end, self._reason, self.dose_mj_cm2, self._tally.device_dose_mj_cm2(),
                self.light_s, self._tally.lesson(), *self._tally.doubt,
            )
        )  # fmt: skip

    def _due(self) -> None:
        """Renew the vacuum and repeat an unconfirmed close, when it is time."""
        if self._link_up:
            order = self._approach.order
            opening = self._stretch is not None and self._stretch.phase is Phase.OPENING
            self._out += map(Send, self._switching.due(order, opening=opening, now=self._now))

    def _take(self) -> Outputs:
        self._patience.follow(self.state, self._stretch, link_up=self._link_up, now=self._now)
        return super()._take()

    def _allowed(self, command: str, *states: State) -> bool:
        if self.state in states:
            return True
        self._refuse(f"{command} is not possible while {self.state}")
        return False
