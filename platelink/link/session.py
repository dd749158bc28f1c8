"""One device on one port: handshake, heartbeats, commands, samples, events, link state. Pure.

The owner calls ``receive`` with what it read, ``tick`` at ``next_deadline``, sends what
``data_to_send`` gives, and acts on the outputs. Read before ``tick``: what was waiting in the
port proves the device alive. Bytes from outside never raise.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Any

from platelink.link import messages as m
from platelink.link import outputs
from platelink.link.clockmap import ClockMap
from platelink.link.commands import OWN, Sender, Waiting, reply_code
from platelink.link.devicetime import DeviceTime
from platelink.link.eventlog import RING, EventLog
from platelink.link.framing import DELIMITER, Decoder, Frame, FrameRejected
from platelink.link.losses import GarbageWatch, Losses, SilenceWatch
from platelink.link.outputs import LinkOutput, LinkSettings, LinkState, LinkStatus

SAMPLE_CODE, HELLO_CODE = m.CODES[m.Sample], m.CODES[m.Hello]
EARLY_BEAT_S = 0.025
"""Half a frame interval at the usual rate: a heartbeat is sent with the frame nearest to it, and
by the timer only when none comes."""


class Session:
    """The state machine of a link. ``now``: host monotonic seconds."""

    def __init__(self, *, settings: LinkSettings | None = None) -> None:
        self.settings = settings or LinkSettings()
        self._time = DeviceTime()
        self._decoder = Decoder(keep=self.settings.keep_frames)
        self._events = EventLog()
        self._handlers: dict[int, Callable[[Frame, float, list[LinkOutput]], None]] = {
            SAMPLE_CODE: self._on_sample,
            HELLO_CODE: self._on_hello,
            m.CODES[m.Event]: self._on_event,
            m.CODES[m.Reply]: self._on_reply,
            m.CODES[m.OrderReport]: self._on_order_report,
            m.CODES[m.Supply]: self._on_supply,
        }
        self.state = LinkState.CLOSED  # where the link stands
        self._text = "no port is open"
        self._hello: m.Hello | None = None
        self._later: list[LinkOutput] = []  # outputs of calls that cannot return them
        self._later_at: float | None = None
        self._ref = OWN
        self._losses = Losses()
        self._sender = Sender(self.settings, self._losses)
        self._commands = self._sender.queue
        self._silence = SilenceWatch(self.settings.device_silence_s)
        self._garbage = GarbageWatch(self.settings.garbage_bytes)
        self._heard_at: float | None = None
        self._heartbeat_s = self.settings.heartbeat_s
        self._heartbeat_due = 0.0
        self._hello_due = 0.0
        self._hello_wanted = False
        self._report_seen = False
        self._ups = self._reboots = 0

    @property
    def clock(self) -> ClockMap:
        """Map from unwrapped ticks to host time; another one after the device restarts."""
        return self._time.clock

    # --- the port ---------------------------------------------------------------------------

    def port_opened(self, *, now: float) -> tuple[LinkOutput, ...]:
        """The port is open: ask who is there."""
        self._decoder = Decoder(keep=self.settings.keep_frames)
        self._losses.expect(None)
        self._losses.missing = self._garbage.size = 0
        self._sender.clear()
        self._sender.write(DELIMITER)  # ends whatever half a frame the device may hold
        self._enter(LinkState.CONNECTING, "the port is open; waiting for the device's hello")
        self._ask_hello(now)
        return ()

    def port_lost(self, reason: str, *, now: float) -> tuple[LinkOutput, ...]:
        """The port is gone. What was on its way will not be answered."""
        out = self._take_later()
        was_up = self.state is LinkState.UP
        self._enter(LinkState.CLOSED, f"port lost: {reason}")
        self._sender.clear()
        if was_up:
            out.append(outputs.LinkLost("port lost", reason))
        self._fail_pending(self._commands.drop_all(), out)
        return tuple(out)

    def data_to_send(self) -> bytes:
        """Bytes for the port since the last call."""
        return self._sender.take()

    # --- inputs -----------------------------------------------------------------------------

    def receive(self, data: bytes, *, now: float) -> tuple[LinkOutput, ...]:
        """Bytes read from the port at ``now``."""
        if self.state is LinkState.CLOSED:
            return ()
        out = self._take_later()
        self._garbage.size += len(data)
        for frame in self._decoder.feed(data):
            if type(frame) is Frame:
                self._on_frame(frame, now, out)
            else:
                self._reject(frame, out)  # type: ignore[arg-type]
        if self._garbage.size > self._garbage.limit:
            self._on_garbage(out)
        if self.state is LinkState.UP and now >= self._heartbeat_due - EARLY_BEAT_S:
            self._beat(now)  # awake anyway: the timer need not wake the host for it
        return tuple(out)

    def send(self, command: m.Command, *, now: float) -> int:
        """Queue a command; its ``ref`` comes back in CommandAnswered or CommandUnanswered. One with
        a value that does not fit its field, made of what a damaged frame said, is not sent."""
        self._ref += 1
        waiting = Waiting(self._ref, command)
        if self.state is not LinkState.UP or not m.fits(command):
            self._fail_later([waiting], now)
            return waiting.ref
        self._fail_later(self._commands.add(waiting), now)
        self._fail_pending(self._sender.send_due(now), self._later)
        return waiting.ref

    def tick(self, *, now: float) -> tuple[LinkOutput, ...]:
        """Do what is due. Early or repeated calls change nothing."""
        out = self._take_later()
        if self.state is LinkState.UP:
            self._tick_up(now, out)
        elif self.state is not LinkState.CLOSED and now >= self._hello_due:
            self._ask_hello(now)
        return tuple(out)

    def next_deadline(self) -> float | None:
        """When ``tick`` is wanted; None: not before the next input."""
        if self._later:
            return self._later_at
        if self.state is LinkState.UP:
            due = min(self._heartbeat_due, self._silence.due)
            commands = self._commands.deadline()
            if self._hello_wanted:
                due = min(due, self._hello_due)
            return due if commands is None else min(due, commands)
        return None if self.state is LinkState.CLOSED else self._hello_due

    def recent(self) -> tuple[str, ...]:
        """The last pieces between delimiters, good or bad, as hex, oldest first."""
        return tuple(piece.hex() for piece in self._decoder.recent)

    def status(self, *, now: float | None = None) -> LinkStatus:
        """Counts and state; with ``now`` also the age of the newest frame."""
        heard, clock, losses = self._heard_at, self.clock, self._losses
        return LinkStatus(
            state=self.state, text=self._text, hello=self._hello,
            frames=losses.frames, frames_lost=losses.lost, duplicates=losses.duplicates,
            stale_samples=self._time.stale, crc_failures=losses.crc, rejected=losses.rejected,
            resent=losses.resent, unanswered=losses.unanswered,
            reconnects=max(0, self._ups - 1), reboots=self._reboots,
            events_lost=self._events.lost,
            device_rx_bad=losses.rx_bad, device_rx_overrun=losses.rx_overrun,
            clock_resets=self._time.clock_resets,
            tick_s=clock.tick_s if clock.rel_uncertainty < 1.0 else None,
            tick_rel_uncertainty=clock.rel_uncertainty, clock_span_s=clock.span_s,
            last_frame_age_s=None if heard is None or now is None else now - heard,
        )  # fmt: skip

    # --- frames -----------------------------------------------------------------------------

    def _on_frame(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        self._garbage.size = 0
        self._losses.frames += 1
        self._heard_at = now
        code = frame.type
        if code != HELLO_CODE:
            self._losses.count_seq(frame.seq)
        handler = self._handlers.get(code)
        if handler is None:
            self._reject(FrameRejected("type", len(frame.payload)), out)
        elif self.state is LinkState.UP or code == HELLO_CODE:
            handler(frame, now, out)
        elif self.state is not LinkState.MISMATCH:
            self._on_early_frame(now)

    def _on_early_frame(self, now: float) -> None:
        """A valid frame before the hello: the device is there, so ask at once."""
        if self.state is not LinkState.CONNECTING:
            self._enter(LinkState.CONNECTING, "the device speaks; waiting for its hello")
            self._hello_due = now

    def _message(self, frame: Frame, out: list[LinkOutput]) -> Any:
        """The message of a frame; None, and rejected, when its length is wrong."""
        try:
            return m.unpack(frame.type, frame.payload)
        except struct.error:
            self._reject(FrameRejected("length", len(frame.payload)), out)
            return None

    def _on_sample(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        if (sample := self._message(frame, out)) is None:
            return
        t = self._time.sample(sample, now)
        jumped = self._time.jumped
        if jumped:
            out.append(outputs.ClockJumped(jumped, self._time.jumps))
        if (jumped or self._time.restarted) and not self._hello_wanted:
            self._hello_wanted = True
            self._ask_hello(now)
        if t is None:
            return
        losses = self._losses
        self._silence.heard(now)
        out.append(outputs.SampleReceived(sample, self._time.ticks, t, losses.missing))
        losses.missing = 0
        losses.count_device(sample)
        self._events.notice(sample.events)
        if self._events.wanted:
            self._ask_log(now, out)

    def _on_hello(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        payload = frame.payload
        if payload and payload[0] != m.PROTOCOL_VERSION:
            self._on_mismatch(payload[0], out)
            return
        hello: m.Hello | None = self._message(frame, out)
        if hello is None:
            return
        if hello.tick_hz == 0 or hello.frame_ticks == 0:
            self._reject(FrameRejected("value", len(payload)), out)
            return
        before = self._hello
        rebooted = before is not None and before.boot_id != hello.boot_id
        if before is None or rebooted:
            self._losses.expect((frame.seq + 1) & 0xFFFF)
            self._start_boot(hello, now, rebooted, out)
        else:
            self._losses.count_seq(frame.seq)
            self._time.resume(hello.tick, now)
        self._hello, self._hello_wanted = hello, False
        self._set_interval(hello.frame_ticks / hello.tick_hz, now)
        if self.state is not LinkState.UP:
            self._ups += 1
            self._heartbeat_due = now
            self._events.recheck()
        elif not rebooted:
            return
        self._enter(LinkState.UP, "up")
        out.append(outputs.LinkUp(hello, rebooted))
        self._tick_up(now, out)

    def _start_boot(
        self, hello: m.Hello, now: float, rebooted: bool, out: list[LinkOutput]
    ) -> None:
        """A device seen for the first time since it started."""
        if rebooted:
            self._reboots += 1
            self._fail_pending(self._commands.drop_all(), out)
        self._events.start(1 if rebooted else None)
        self._losses.start_boot(seen_before=rebooted)
        self._time.start(hello.tick, hello.tick_hz, now)

    def _on_mismatch(self, version: int, out: list[LinkOutput]) -> None:
        output = outputs.ProtocolMismatch(version, m.PROTOCOL_VERSION)
        if self.state is LinkState.MISMATCH:
            return
        if self.state is LinkState.UP:
            out.append(outputs.LinkLost("protocol mismatch", str(output)))
        self._enter(LinkState.MISMATCH, str(output))
        self._sender.clear()
        out.append(output)
        self._fail_pending(self._commands.drop_all(), out)

    def _on_event(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        if (event := self._message(frame, out)) is not None:
            self._deliver(self._events.receive(event), out)

    def _deliver(self, events: Sequence[m.Event], out: list[LinkOutput]) -> None:
        for event in events:
            ticks = self._time.unwrap(event.tick)
            out.append(outputs.DeviceEventReceived(event, ticks, self.clock.t_of(ticks)))

    def _on_order_report(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        if (report := self._message(frame, out)) is None:
            return
        open_ticks, close_ticks = report.open_tick, report.close_tick
        if self._hello is not None and report.boot_id == self._hello.boot_id:
            open_ticks = self._time.unwrap(open_ticks)
            close_ticks = self._time.unwrap(close_ticks)
        self._report_seen = True
        out.append(outputs.OrderReported(report, open_ticks, close_ticks))

    def _on_supply(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        if (supply := self._message(frame, out)) is not None:
            out.append(outputs.SupplyReported(supply))

    def _on_reply(self, frame: Frame, now: float, out: list[LinkOutput]) -> None:
        reply: m.Reply | None = self._message(frame, out)
        waiting = None if reply is None else self._commands.answered(reply)
        if reply is None or waiting is None:
            return  # to a m.GetHello, or the second reply to a command sent twice
        code = reply_code(reply)
        if isinstance(waiting.command, m.GetOrder) and code is m.ReplyCode.OK:
            if not self._report_seen:  # lost on the way, while its reply came through
                self._commands.add(Waiting(waiting.ref, waiting.command))
                self._fail_pending(self._sender.send_due(now), out)
                return
            self._report_seen = False
        if waiting.ref == OWN:
            events, first, gone = self._events.answered()
            if gone:
                out.append(outputs.EventsLost(first, (first + gone - 2) % RING + 1))
            self._deliver(events, out)
            if self._events.wanted:
                self._ask_log(now, out)
        else:
            if isinstance(waiting.command, m.SetFrame) and code is m.ReplyCode.OK:
                self._set_interval(waiting.command.frame_ticks / self.clock.nominal_hz, now)
            out.append(outputs.CommandAnswered(waiting.ref, waiting.command, code))
        self._fail_pending(self._sender.send_due(now), out)

    def _reject(self, rejected: FrameRejected, out: list[LinkOutput]) -> None:
        self._losses.count_rejected(rejected)
        out.append(rejected)

    def _on_garbage(self, out: list[LinkOutput]) -> None:
        size, measured = self._garbage.size, self._garbage.measured() or ""
        self._garbage.size = 0
        if self.state in (LinkState.GARBAGE, LinkState.MISMATCH):
            return
        if self.state is LinkState.UP:
            out.append(outputs.LinkLost("garbage", measured))
        self._enter(LinkState.GARBAGE, measured)
        out.append(outputs.GarbageReceived(size, measured))
        self._fail_pending(self._commands.drop_all(), out)

    # --- time and sending -------------------------------------------------------------------

    def _tick_up(self, now: float, out: list[LinkOutput]) -> None:
        measured = self._silence.silent(now)
        if measured is not None:
            self._on_silence(measured, now, out)
            return
        if now >= self._heartbeat_due:
            self._beat(now)
        if self._hello_wanted and now >= self._hello_due:
            self._ask_hello(now)
        if self._events.wanted:
            self._ask_log(now, out)
        self._fail_pending(self._sender.send_due(now), out)

    def _set_interval(self, frame_s: float, now: float) -> None:
        """Samples come this often. Heartbeats up to twice as rare as usual go with them, so that
        nothing wakes the host in between: they matter while an order stands, and then frames come
        at the usual rate."""
        self._silence.set_interval(frame_s, now)
        usual_s = self.settings.heartbeat_s
        self._heartbeat_s = frame_s if usual_s < frame_s <= 2.0 * usual_s else usual_s

    def _beat(self, now: float) -> None:
        self._sender.say(m.Heartbeat())
        self._heartbeat_due = now + self._heartbeat_s + EARLY_BEAT_S

    def _on_silence(self, measured: str, now: float, out: list[LinkOutput]) -> None:
        self._enter(LinkState.DOWN, f"{measured}; asking the device for its hello")
        out.append(outputs.LinkLost("device silent", measured))
        self._fail_pending(self._commands.drop_all(), out)
        self._ask_hello(now)

    def _ask_hello(self, now: float) -> None:
        self._sender.say(m.GetHello(m.PROTOCOL_VERSION))
        strange = self.state in (LinkState.GARBAGE, LinkState.MISMATCH)
        retry_s = self.settings.strange_retry_s if strange else self.settings.hello_retry_s
        self._hello_due = now + retry_s

    def _ask_log(self, now: float, out: list[LinkOutput]) -> None:
        if not self._commands.log_under_way:
            self._commands.add(Waiting(OWN, m.GetLog(self._events.request)))
            self._fail_pending(self._sender.send_due(now), out)

    def _fail_pending(self, dropped: Sequence[Waiting], out: list[LinkOutput]) -> None:
        for waiting in dropped:
            self._losses.unanswered += 1
            if waiting.ref == OWN:
                self._events.unanswered()
            else:
                out.append(outputs.CommandUnanswered(waiting.ref, waiting.command, waiting.tries))

    def _fail_later(self, dropped: Sequence[Waiting], now: float) -> None:
        self._fail_pending(dropped, self._later)
        self._later_at = now

    def _take_later(self) -> list[LinkOutput]:
        out, self._later = self._later, []
        return out

    def _enter(self, state: LinkState, text: str) -> None:
        self.state, self._text = state, text
