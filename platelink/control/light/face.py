"""What every exposure is to the rest of the unit, whoever switches its lamps. Data only."""

from __future__ import annotations

from typing import Protocol

from platelink.control.alarm.states import Condition
from platelink.control.light.request import ExposureStatus
from platelink.control.states import ExposureOutput, State
from platelink.link import messages as m
from platelink.sensing.readings import Reading

Outputs = tuple[ExposureOutput, ...]


class AnyExposure(Protocol):
    """Synchronous: each input returns what is to be sent, noted and, once, how it ended. ``now``
    is host monotonic seconds. What the present state does not allow is noted as refused."""

    @property
    def state(self) -> State:
        """Its state (ISA-88)."""

    @property
    def dose_mj_cm2(self) -> float:
        """Effective dose so far, after-glow included as far as seen."""

    @property
    def integrating(self) -> bool:
        """True while light is counted."""

    def status(self) -> ExposureStatus:
        """Plain values, as of the last input."""

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know, as of the last input."""

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""

    # --- commands of a person --------------------------------------------------------------

    def start(self, *, now: float) -> Outputs:
        """Begin: light as soon as it is allowed, or as it appears."""

    def hold(self, reason: str, *, now: float) -> Outputs:
        """Lamp off, remainder kept."""

    def restart(self, reason: str, *, now: float) -> Outputs:
        """Go on with the remainder of a held exposure; where something fell unseen ``reason`` is a
        word of ``LampsWere``."""

    def stop(self, reason: str, *, now: float) -> Outputs:
        """End in good order; the plate is not complete."""

    def abort(self, reason: str, *, now: float) -> Outputs:
        """End at once; something is wrong."""

    # --- what the device says --------------------------------------------------------------

    def sample(
        self, sample: m.Sample, reading: Reading,
        *, tick_s: float, tick_uncertainty: float, now: float,
    ) -> Outputs:  # fmt: skip
        """Take one Sample with its reading; ``tick_s`` is the fitted length of a device tick."""

    def order_report(
        self, report: m.OrderReport, *, open_ticks: int, close_ticks: int, now: float
    ) -> Outputs:
        """Take the device's account of an order: exact sums at its close."""

    def answered(self, command: m.Command, code: m.ReplyCode, *, now: float) -> Outputs:
        """Take the device's answer to one of our commands."""

    def unanswered(self, command: m.Command, *, now: float) -> Outputs:
        """One of our commands got no answer after all tries."""

    def link_lost(self, reason: str, *, now: float) -> Outputs:
        """The device is silent. An open order goes on by itself; nothing new is begun."""

    def device_back(self, *, rebooted: bool, up_s: float, now: float) -> Outputs:
        """The link is up again; ``rebooted`` when the device started anew, its sums lost, and
        ``up_s`` ago at least."""

    def device_kept(self, ticks: int, *, now: float) -> Outputs:
        """It has started anew, and kept its order and its sums up to ``ticks``, later than the last
        sample."""

    def tick(self, *, now: float) -> Outputs:
        """Run what is due; early or repeated calls change nothing."""
