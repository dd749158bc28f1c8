"""One unit as one pure object: link, sensing, exposure, plates, and what is to be recorded.

Bytes, commands and time come in; bytes to send, entries for the journal and notices come out. The
daemon's shell and the simulations drive the very same object.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from platelink.control.states import ENDED, Learned, Plain, earliest
from platelink.daemon.device_words import ARGUMENTS, EVENT_WORDS, in_words
from platelink.daemon.job import (
    CoreOutput,
    DeviceReported,
    Job,
    Refused,
    UnitSettings,
    UnitStatus,
)
from platelink.daemon.plate_side import PlateSide
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.sensing.readings import Converter, Reading

__all__ = [
    "EVENT_WORDS", "CoreOutput", "DeviceReported", "Job", "Refused", "UnitCore", "UnitSettings",
    "UnitStatus", "in_words",
]  # fmt: skip
OVEN_S = 0.45
"""Least time between two oven temperatures given to the plates."""


class UnitCore(PlateSide):
    """See the file's first lines."""

    def __init__(
        self, settings: UnitSettings, converter: Converter, learned: Learned, *, now: float
    ) -> None:
        super().__init__(settings, converter, learned, now=now)
        self._oven_at = -math.inf
        self._handlers: dict[type[object], Callable[[Any], None]] = {
            link.SampleReceived: self._sampled,
            link.CommandAnswered: self._answered,
            link.CommandUnanswered: self._unanswered,
            link.OrderReported: self._reported,
            link.DeviceEventReceived: self._device_event,
            link.LinkUp: self._link_up,
            link.LinkLost: self._link_lost,
            link.ProtocolMismatch: lambda o: self._event("protocol mismatch", str(o)),
            link.GarbageReceived: lambda o: self._event("garbage on the port", o.measured),
            link.EventsLost: lambda o: self._event(
                "device events lost", f"numbers {o.first} to {o.last}"
            ),
        }

    # --- inputs ----------------------------------------------------------------------------

    def port_opened(self, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """The port is open; the session says hello."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.port_opened(now=now))
        return self._take()

    def port_lost(self, reason: str, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """The port is gone."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.port_lost(reason, now=now))
        return self._take()

    def receive(self, data: bytes, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Bytes from the device."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.receive(data, now=now))
        return self._take()

    def tick(self, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Run what is due."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.tick(now=now))
        if self.exposure is not None:
            self._from_exposure(self.exposure.tick(now=now))
        self._from_plates(self.room.tick(now=now))
        recording = self._recording
        if recording is not None and now >= (recording.deadline() or math.inf):
            self._write_samples(recording)
        return self._take()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        exposure, recording = self.exposure, self._recording
        return earliest(
            self.session.next_deadline(),
            exposure.next_deadline() if exposure is not None else None,
            recording.deadline() if recording is not None else None,
            self.room.next_deadline(),
            self.watch.next_deadline(),
        )

    def flush(self) -> tuple[CoreOutput, ...]:
        """The samples in hand, because the process ends."""
        if self._recording is not None:
            self._write_samples(self._recording)
        return self._take()

    def data_to_send(self) -> bytes:
        """Bytes for the device."""
        return self.session.data_to_send()

    def status(self, *, now: float) -> UnitStatus:
        """Everything a face shows."""
        return UnitStatus(
            link=self.session.status(now=now),
            reading=self.reading,
            run_id=self.run_id,
            exposure=self.exposure.status() if self.exposure else None,
        )

    # --- link ------------------------------------------------------------------------------

    def _from_link(self, outputs: tuple[link.LinkOutput, ...]) -> None:
        for output in outputs:
            handle = self._handlers.get(type(output))
            if handle is not None:
                handle(output)

    def _answered(self, answered: link.CommandAnswered) -> None:
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.answered(answered.command, answered.code, now=self._now)
            )

    def _unanswered(self, unanswered: link.CommandUnanswered) -> None:
        if isinstance(unanswered.command, m.SetFrame):
            self._frame_ticks = 0  # ask again
        if self.exposure is not None:
            self._from_exposure(self.exposure.unanswered(unanswered.command, now=self._now))

    def _sampled(self, received: link.SampleReceived) -> None:
        sample = received.sample
        reading = self.converter.read(sample, received.ticks, received.t, received.lost)
        self.reading = reading
        self._order = max(self._order, sample.order)
        self._lamp_on = bool(sample.outputs & m.LAMP_BIT)
        self._vacuum_on = bool(sample.outputs & m.VACUUM_BIT)
        self._watch_left_light()
        clock = self.session.clock
        if self.room.plates:
            self._sampled_for_plates(sample, reading, clock.tick_s)
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.sample(
                    sample,
                    reading,
                    tick_s=clock.tick_s,
                    tick_uncertainty=clock.rel_uncertainty,
                    now=self._now,
                )
            )
        recording, exposure = self._recording, self.exposure
        if recording is not None and exposure is not None:
            recording.add(sample, reading, exposure.dose_mj_cm2, clock.tick_s, exposure.integrating)
            if reading.t >= (recording.deadline() or math.inf):
                self._write_samples(recording)

    def _sampled_for_plates(self, sample: m.Sample, reading: Reading, tick_s: float) -> None:
        if reading.t - self._oven_at >= OVEN_S:
            self._oven_at = reading.t
            self._from_plates(self.room.oven(reading.oven_c, t=reading.t, now=self._now))
        self._out += self._plate_record.add(sample, reading, tick_s)

    def _reported(self, reported: link.OrderReported) -> None:
        self._order = max(self._order, reported.report.order)
        self._out.append(DeviceReported(reported.report))
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.order_report(
                    reported.report,
                    open_ticks=reported.open_ticks,
                    close_ticks=reported.close_ticks,
                    now=self._now,
                )
            )

    def _device_event(self, received: link.DeviceEventReceived) -> None:
        event = received.event
        word = EVENT_WORDS.get(event.code, f"device event {event.code}")
        words = ARGUMENTS.get(event.code)
        text = in_words(words, event.arg) if words else ""
        self._event(word, text, {"arg": event.arg, "number": event.number}, received.ticks)

    def _link_up(self, up: link.LinkUp) -> None:
        hello = self._hello = up.hello
        self._up = True
        self.watch.look_now()
        if up.rebooted:
            self.converter.restart()
            self._order = 0
            if self._recording is not None:
                self._recording.device_restarted(hello.tick, self._now)
            self._plate_record.device_restarted(hello.tick, self._now)
            self._out += self.watch.device_restarted(now=self._now, at_utc_ms=self._at_utc_ms)
        self._frame_ticks = 0
        self.session.send(m.GetOrder(), now=self._now)
        data: dict[str, Plain] = {
            "boot_id": hello.boot_id,
            "firmware": ".".join(map(str, hello.firmware)),
            "board": hello.board,
            "reset_cause": hello.reset_cause,
        }
        self._event("device restarted" if up.rebooted else "link up", "", data)
        self._mismatch = self._compare(hello)
        if self._mismatch:
            self._event("device does not match", self._mismatch)
        if self.exposure is not None:
            self._from_exposure(self.exposure.device_back(rebooted=up.rebooted, now=self._now))

    def _compare(self, hello: m.Hello) -> str:
        """Why calibrations made for the configured device say nothing about this one."""
        optics = self.settings.optics
        if (1 << hello.adc_bits) - 1 != optics.adc_max:
            return (
                f"the device converts {hello.adc_bits} bits, the configuration says "
                f"{optics.adc_max.bit_length()}; correct unit.adc_bits and calibrate"
            )
        if hello.light_channels < len(optics.light.channels):
            return (
                f"the device has {hello.light_channels} light channels, the configuration "
                f"{len(optics.light.channels)}; correct [[light.channel]]"
            )
        return ""

    def _link_lost(self, lost: link.LinkLost) -> None:
        self._up = False
        self.watch.look_now()
        text = lost.measured or lost.reason
        in_run = self.exposure is not None and self.exposure.state not in ENDED
        if not in_run:
            self._event("link lost", text)
        elif self.exposure is not None:
            self._from_exposure(self.exposure.link_lost(text, now=self._now))
