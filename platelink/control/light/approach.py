"""From contact vacuum to the standing order: what light waits for, and the order given. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.control.contact.gauge import GaugeNature
from platelink.control.light import sentences
from platelink.control.light.arming import stretch_plan
from platelink.control.light.dose import Point
from platelink.control.light.hour import LightHour
from platelink.control.light.readiness import Readiness
from platelink.control.light.request import ExposureRequest, Optics
from platelink.control.light.stretch import Stretch
from platelink.control.light.tally import Tally
from platelink.control.states import ExposureOutput, Noted, Send
from platelink.events.light import Armed, Cause, Waiting
from platelink.link import messages as m

_ALL_INPUTS = m.Input.INTERLOCK_CLOSED | m.Input.STOP_RELEASED


@dataclass(frozen=True, slots=True)
class Found:
    """What came of one look."""

    outputs: tuple[ExposureOutput, ...] = ()
    stretch: Stretch | None = None
    """Its order is on the way."""
    problem: str = ""
    cause: Cause = Cause.DEVICE
    """Of the problem."""
    """Why it cannot be given."""


class Approach:
    """See the file's first line. ``order`` is the first free order number of the device."""

    def __init__(
        self, request: ExposureRequest, optics: Optics, tally: Tally,
        *, order: int, hour: LightHour, gauge: GaugeNature,
    ) -> None:  # fmt: skip
        self.order = order
        """Number of the newest standing order given or to be given."""
        self.ready = Readiness(request.contact, gauge)
        self.going_on = False
        self.waiting: tuple[str, ...] = ()
        """What light still waits for, as last told."""
        self._request, self._optics, self._tally = request, optics, tally
        self._hour = hour

    def begin(self, *, now: float) -> None:
        """A hold test is made again after every hold."""
        self.going_on = True
        self.waiting = ()
        self.ready.begin(now=now)

    def look(self, sample: m.Sample, point: Point, tick_uncertainty: float) -> Found:
        """Give the order as soon as everything holds."""
        if sample.latched and sample.inputs & _ALL_INPUTS == _ALL_INPUTS:
            return Found((Send(m.ResetLatch()),))
        before = self.waiting
        self.waiting = self.ready.missing(sample, tick_uncertainty)
        if self.waiting:
            text = f"waiting for {', '.join(self.waiting)}"
            return Found((Noted(Waiting(), text),) if self.waiting != before else ())
        # Another daemon, or none of ours before a restart, may have given orders since.
        self.order = max(self.order, sample.order + 1)
        return self._arm(point)

    def _arm(self, point: Point) -> Found:
        darks = self.ready.dark_counts()
        assert darks is not None
        plan = stretch_plan(
            self._request, self._tally, darks, self.order, self._optics,
            hour=self._hour, point=point,
        )  # fmt: skip
        if isinstance(plan, str):
            return Found(problem=plan, cause=Cause.LIGHT)
        self.going_on = False
        stretch = Stretch(plan, self._tally.meter.copy(), point)
        armed = Armed(self.order, plan.predicted_s, plan.guard_s, point.head_c, tuple(darks))
        text = f"about {plan.predicted_s:.1f} s of light expected"
        if not plan.learned.afterglow_known:
            text += "; the light goes off once before the end to measure the after-glow"
        return Found((Noted(armed, text, point.ticks), Send(stretch.arm())), stretch)

    def answered(self, command: m.Command, code: m.ReplyCode | None) -> Found:
        """The device's answer to the order, None: it gave none; armed, it is to be opened."""
        if not isinstance(command, m.Arm | m.Open) or command.order != self.order:
            return Found()
        if code is None:
            return Found(problem="no reply from the device to the order; restart")
        if code is not m.ReplyCode.OK:
            return Found(problem=sentences.refused(command, code))
        if not self.ready.recorded:
            return Found(problem=sentences.UNRECORDED, cause=Cause.RECORD)
        return Found((Send(m.Open(self.order)),) if isinstance(command, m.Arm) else ())
