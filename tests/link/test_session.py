"""A session against a small device in memory: hello, silence, restarts, commands, events."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from link_wire import HELLO, FakeDevice, make_sample

from platelink.link.eventlog import MAX_HELD, EventLog
from platelink.link.framing import FrameRejected, encode, encode_raw
from platelink.link.messages import (
    Arm,
    Close,
    Event,
    EventCode,
    GetHello,
    GetLog,
    Heartbeat,
    Hello,
    Open,
    OrderReport,
    Output,
    Rearm,
    ReplyCode,
    ResetLatch,
    SetFrame,
    SetOutput,
)
from platelink.link.outputs import (
    CommandAnswered,
    CommandUnanswered,
    DeviceEventReceived,
    EventsLost,
    GarbageReceived,
    LinkLost,
    LinkOutput,
    LinkSettings,
    LinkUp,
    OrderReported,
    ProtocolMismatch,
    SampleReceived,
)
from platelink.link.session import Session

ARM = Arm(1, (1, 0, 0, 0), 0, 1000, 5000, 500, 0)


class Talk:
    """A session and a fake device joined without faults; the test moves the clock."""

    def __init__(self, device: FakeDevice | None = None, *, settings: LinkSettings | None = None):
        self.session = Session(settings=settings)
        self.device = device or FakeDevice()
        self.now = 10.0
        self.out: list[LinkOutput] = []

    def up(self) -> Talk:
        self.out += self.session.port_opened(now=self.now)
        self.exchange()
        assert self.session.status().state == "up"
        return self

    def exchange(self) -> None:
        """Carry bytes to and fro until both are quiet."""
        for _ in range(20):
            sent = self.session.data_to_send()
            self.device.receive(sent)
            data = self.device.transmit()
            if not sent and not data:
                return
            self.out += self.session.receive(data, now=self.now)
        raise AssertionError("the two never fall quiet")

    def wait(self, seconds: float, *, sample_every: float | None = 0.05) -> None:
        """Jump from deadline to deadline, with Samples in between."""
        end = self.now + seconds
        next_sample = self.now + sample_every if sample_every else float("inf")
        while True:
            deadline = self.session.next_deadline()
            self.now = min(end, next_sample, max(self.now, deadline or end))
            if self.now >= end:
                return
            if self.now >= next_sample:
                next_sample += sample_every or 0.0
                self.sample()
            self.out += self.session.tick(now=self.now)
            self.exchange()

    def sample(self, **fields: Any) -> None:
        newest = self.device.events[-1].number & 0xFF if self.device.events else 0
        tick = round((self.now - 10.0) * 1000) + self.device.hello.tick
        self.feed(make_sample(tick & 0xFFFFFFFF, **{"events": newest, **fields}))

    def feed(self, message: Any) -> None:
        self.out += self.session.receive(self.device.send(message), now=self.now)

    def of(self, kind: type) -> list[Any]:
        return [output for output in self.out if isinstance(output, kind)]

    def heard(self, kind: type) -> list[tuple[int, Any]]:
        return [(seq, message) for seq, message in self.device.heard if isinstance(message, kind)]


# --- handshake ------------------------------------------------------------------------------


def test_hello_is_asked_for_until_it_comes() -> None:
    talk = Talk()
    talk.device.answers = False
    talk.session.port_opened(now=talk.now)
    talk.exchange()
    talk.wait(1.01, sample_every=None)
    assert len(talk.heard(GetHello)) == 5
    assert not talk.heard(Heartbeat)
    assert talk.session.status().state == "connecting"
    talk.device.answers = True
    talk.wait(0.3, sample_every=None)
    assert talk.of(LinkUp) == [LinkUp(HELLO, rebooted=False)]


def test_unsolicited_hello_is_enough() -> None:
    talk = Talk()
    talk.session.port_opened(now=talk.now)
    talk.session.data_to_send()
    talk.feed(HELLO)
    assert talk.of(LinkUp) == [LinkUp(HELLO, rebooted=False)]


def test_other_protocol_version_ends_all_sending() -> None:
    talk = Talk(FakeDevice(HELLO._replace(protocol=2)))
    talk.session.port_opened(now=talk.now)
    talk.exchange()
    (mismatch,) = talk.of(ProtocolMismatch)
    assert mismatch == ProtocolMismatch(device=2, host=1)
    assert "version 2" in str(mismatch)
    assert "update the host" in str(mismatch)
    status = talk.session.status()
    assert (status.state, status.text) == ("mismatch", str(mismatch))
    ref = talk.session.send(ARM, now=talk.now)
    talk.wait(5.0)
    assert talk.of(CommandUnanswered) == [CommandUnanswered(ref, ARM, 0)]
    assert {type(message) for _, message in talk.device.heard} == {GetHello}
    assert not talk.of(LinkUp)
    talk.device.hello = HELLO
    talk.feed(HELLO)  # the firmware was updated
    assert talk.of(LinkUp) == [LinkUp(HELLO, rebooted=False)]


def test_only_its_version_is_asked_of_a_device_that_came_back_with_another() -> None:
    """Neither what waited to be sent, nor what is asked for now, nor a Heartbeat that is due. The
    version is asked for again: a damaged Hello may have told it, or new firmware may speak ours."""
    talk = Talk().up()
    talk.wait(0.5)
    talk.device.answers = False
    first = talk.session.send(ARM, now=talk.now)
    assert talk.session.data_to_send()
    second = talk.session.send(Close(1), now=talk.now)  # made, and not yet taken by the port
    talk.feed(HELLO._replace(protocol=2, boot_id=78))
    assert talk.session.data_to_send() == b""
    third = talk.session.send(Close(1), now=talk.now)
    talk.out += talk.session.tick(now=talk.now)
    given_up = {output.ref for output in talk.of(CommandUnanswered)}
    assert given_up == {first, second, third}
    heard = len(talk.device.heard)
    talk.wait(5.0)
    talk.feed(HELLO._replace(protocol=2, boot_id=79))
    talk.out += talk.session.receive(b"\x55" * 5000, now=talk.now)  # nor when it seems garbage
    talk.wait(5.0)
    asked = [type(message) for _, message in talk.device.heard[heard:]]
    assert 3 <= len(asked) <= 12 and set(asked) == {GetHello}
    assert talk.session.status().state == "mismatch"
    talk.session.port_lost("unplugged", now=talk.now)
    talk.session.port_opened(now=talk.now)
    talk.exchange()
    talk.wait(2.0, sample_every=None)
    assert {type(message) for _, message in talk.device.heard[heard:]} == {GetHello}
    talk.device.answers = True
    talk.wait(2.0)
    assert talk.session.status().state == "up"


def test_hello_of_another_version_may_have_another_length() -> None:
    talk = Talk()
    talk.session.port_opened(now=talk.now)
    talk.out += talk.session.receive(encode_raw(0x01, b"\x09\1\2\3", 0), now=talk.now)
    assert talk.of(ProtocolMismatch) == [ProtocolMismatch(9, 1)]


@pytest.mark.parametrize("field", ["tick_hz", "frame_ticks"])
def test_hello_that_cannot_be_is_rejected(field: str) -> None:
    talk = Talk(FakeDevice(HELLO._replace(**{field: 0})))
    talk.session.port_opened(now=talk.now)
    talk.exchange()
    assert talk.of(FrameRejected)[0].reason == "value"
    assert not talk.of(LinkUp)
    status = talk.session.status()
    assert (status.state, status.hello) == ("connecting", None)


@pytest.mark.parametrize("field", ["tick_hz", "frame_ticks"])
def test_such_a_hello_changes_nothing_of_a_link_that_is_up(field: str) -> None:
    talk = Talk().up()
    talk.wait(0.3)
    talk.feed(HELLO._replace(boot_id=78, **{field: 0}))
    assert talk.of(FrameRejected)[0].reason == "value"
    status = talk.session.status()
    assert (status.state, status.hello, status.reboots) == ("up", HELLO, 0)
    talk.wait(1.0)
    assert not talk.of(LinkLost)


# --- silence, loss, garbage -----------------------------------------------------------------


def test_silence_is_measured_and_recovered_from() -> None:
    talk = Talk().up()
    talk.wait(0.5)
    talk.device.answers = False
    talk.wait(1.2, sample_every=None)
    (lost,) = talk.of(LinkLost)
    assert lost == LinkLost("device silent", "no frame for 1.00 s (limit 1.00 s)")
    assert talk.session.status().state == "down"
    beats = len(talk.heard(Heartbeat))
    talk.wait(1.0, sample_every=None)
    assert len(talk.heard(Heartbeat)) == beats
    talk.device.answers = True
    talk.wait(1.0)
    assert talk.of(LinkUp)[-1] == LinkUp(HELLO, rebooted=False)
    assert talk.session.status().reconnects == 1
    assert talk.session.status().frames_lost == 0
    talk.wait(1.2, sample_every=None)
    talk.device.seq += 24  # sent, and never came
    talk.wait(1.0)
    assert talk.session.status().frames_lost == 24


def test_a_stalled_computer_is_no_silent_device() -> None:
    talk = Talk().up()
    talk.sample()
    talk.now += 3.0
    talk.out += talk.session.tick(now=talk.now)  # late: the port was not read yet
    assert not talk.of(LinkLost)
    talk.sample()
    talk.wait(0.5)
    assert not talk.of(LinkLost)
    talk.now += 3.0
    talk.out += talk.session.tick(now=talk.now)
    talk.out += talk.session.tick(now=talk.now + 0.1)
    assert talk.of(LinkLost) == [LinkLost("device silent", "no frame for 3.15 s (limit 1.00 s)")]


def test_slow_frames_stretch_the_limit() -> None:
    talk = Talk().up()
    talk.session.send(SetFrame(1000), now=talk.now)
    talk.exchange()
    talk.wait(10.0, sample_every=1.0)
    assert not talk.of(LinkLost)
    talk.wait(3.5, sample_every=None)
    assert talk.of(LinkLost)[0].measured == "no frame for 3.00 s (limit 3.00 s)"


def test_lost_port_fails_what_is_under_way() -> None:
    talk = Talk().up()
    talk.device.answers = False
    ref = talk.session.send(ARM, now=talk.now)
    talk.out += talk.session.port_lost("unplugged", now=talk.now)
    assert talk.out[-2:] == [LinkLost("port lost", "unplugged"), CommandUnanswered(ref, ARM, 1)]
    assert talk.session.next_deadline() is None
    assert talk.session.receive(b"\1\2\0", now=talk.now) == ()
    assert talk.session.data_to_send() == b""
    assert talk.session.port_lost("again", now=talk.now) == ()


def test_garbage_is_told_from_silence() -> None:
    talk = Talk().up()
    talk.out += talk.session.receive(b"+++ printer ready\r\n" * 120, now=talk.now)
    (lost,), (garbage,) = talk.of(LinkLost), talk.of(GarbageReceived)
    assert lost.reason == "garbage"
    assert garbage.size == 19 * 120
    assert "2280 bytes without a valid frame (limit 2048)" in garbage.measured
    assert talk.session.status().state == "garbage"
    talk.exchange()  # ends the garbage with a delimiter: the hello follows
    talk.out += talk.session.receive(b"\0", now=talk.now)
    talk.wait(3.0)
    assert talk.session.status().state == "up"


@settings(max_examples=150)
@given(st.lists(st.one_of(st.binary(max_size=60), st.sampled_from("tsho")), max_size=30))
def test_no_bytes_from_outside_raise(story: list[bytes | str]) -> None:
    talk = Talk()
    session, now = talk.session, 0.0
    session.port_opened(now=now)
    for step in story:
        now += 0.2
        if isinstance(step, bytes):
            session.receive(step, now=now)
            code = step[0] if step else 0
            session.receive(b"\0" + encode_raw(code % 7, step[1:], len(step)), now=now)
        elif step == "t":
            session.tick(now=now)
        elif step == "s":
            session.send(ARM, now=now)
        elif step == "h":
            session.receive(encode(HELLO, 0), now=now)
        else:
            session.port_lost("x", now=now)
            session.port_opened(now=now)
        session.status(now=now)
        session.next_deadline()
    assert len(session.data_to_send()) <= 4096


# --- restart --------------------------------------------------------------------------------


def test_restart_is_seen_by_the_boot_id() -> None:
    talk = Talk().up()
    talk.wait(2.0)
    talk.device.answers = False
    ref = talk.session.send(ARM, now=talk.now)
    talk.device.answers = True
    talk.device.seq = 0
    again = HELLO._replace(boot_id=78)
    talk.device.hello = again
    talk.feed(again)
    assert talk.of(LinkUp)[-1] == LinkUp(again, rebooted=True)
    assert talk.of(CommandUnanswered) == [CommandUnanswered(ref, ARM, 1)]
    assert not talk.of(LinkLost)
    status = talk.session.status()
    assert (status.reboots, status.frames_lost, status.reconnects) == (1, 0, 0)
    talk.feed(make_sample(50))
    assert talk.of(SampleReceived)[-1].ticks == 50
    assert talk.session.clock.span_s == pytest.approx(0.05)


def test_restart_whose_hello_was_lost_is_asked_about() -> None:
    talk = Talk().up()
    talk.wait(20.0)
    samples = len(talk.of(SampleReceived))
    talk.device.seq = 2  # hello and BOOT went astray
    talk.device.hello = HELLO._replace(boot_id=78, tick=100)
    talk.feed(make_sample(150))
    assert len(talk.of(SampleReceived)) == samples  # not taken for the old counter
    talk.exchange()
    assert talk.of(LinkUp)[-1].rebooted
    talk.feed(make_sample(200))
    assert talk.of(SampleReceived)[-1].ticks == 200


def test_restart_within_the_first_seconds() -> None:
    talk = Talk().up()
    talk.wait(2.0)
    talk.device.hello = HELLO._replace(boot_id=78, tick=100)
    for tick in (150, 200, 250):
        talk.feed(make_sample(tick))
    talk.exchange()
    assert talk.of(LinkUp)[-1].rebooted


def test_computer_that_slept_keeps_the_boot_and_drops_the_clock_map() -> None:
    talk = Talk().up()
    talk.wait(20.0)
    talk.device.hello = HELLO._replace(tick=8 * 3600 * 1000)
    talk.feed(make_sample(8 * 3600 * 1000 + 50))
    talk.exchange()
    talk.feed(make_sample(8 * 3600 * 1000 + 100))
    assert talk.of(SampleReceived)[-1].ticks == 8 * 3600 * 1000 + 100
    assert len(talk.of(LinkUp)) == 1
    assert talk.session.status().clock_resets == 1
    assert abs(talk.of(SampleReceived)[-1].t - talk.now) < 0.2
    assert talk.session.clock.span_s == pytest.approx(0.1)


# --- samples --------------------------------------------------------------------------------


def test_gaps_are_counted_both_ways() -> None:
    talk = Talk().up()
    talk.sample(rx_bad=65_534, rx_overrun=3)  # from before this session
    talk.now += 0.05
    talk.device.seq += 3
    talk.sample(rx_bad=1, rx_overrun=7)
    assert talk.of(SampleReceived)[-1].lost == 3
    status = talk.session.status(now=talk.now + 0.02)
    assert (status.frames_lost, status.device_rx_bad, status.device_rx_overrun) == (3, 3, 4)
    assert status.last_frame_age_s == pytest.approx(0.02)


def test_duplicates_and_stale_samples_are_dropped() -> None:
    talk = Talk().up()
    talk.now += 0.05
    wire = talk.device.send(make_sample(50))
    for _ in range(2):
        talk.out += talk.session.receive(wire, now=talk.now)
    assert [sample.ticks for sample in talk.of(SampleReceived)] == [50]
    assert talk.session.status().duplicates == 1
    assert talk.session.status().stale_samples == 1


def test_older_duplicates_disturb_no_count() -> None:
    talk = Talk().up()
    wires = [talk.device.send(make_sample(tick)) for tick in (50, 100, 150, 200)]
    for wire in (wires[0], wires[1], wires[2], wires[0], wires[3]):
        talk.now += 0.05
        talk.out += talk.session.receive(wire, now=talk.now)
    status = talk.session.status()
    assert (status.frames_lost, status.duplicates, status.stale_samples) == (0, 1, 1)


def test_a_sample_may_carry_the_very_tick_of_a_hello() -> None:
    talk = Talk().up()
    talk.feed(make_sample(0))
    talk.now += 0.2
    talk.feed(HELLO._replace(tick=200))
    talk.feed(make_sample(200))
    assert [sample.ticks for sample in talk.of(SampleReceived)] == [0, 200]


def test_ticks_run_on_through_the_wrap() -> None:
    talk = Talk(FakeDevice(HELLO._replace(tick=0xFFFF_FF00))).up()
    talk.wait(2.0)
    ticks = [sample.ticks for sample in talk.of(SampleReceived)]
    assert ticks[0] == 0xFFFF_FF00 + 50
    assert ticks[-1] > 1 << 32
    assert all(b - a == 50 for a, b in itertools.pairwise(ticks))
    times = [sample.t for sample in talk.of(SampleReceived)]
    assert times[-1] - times[0] == pytest.approx((ticks[-1] - ticks[0]) / 1000)


def test_unknown_and_misfitting_frames_are_rejected() -> None:
    talk = Talk().up()
    for code, payload, reason in ((0x7F, b"", "type"), (0x41, b"\1", "type"), (2, b"12", "length")):
        talk.out = list(talk.session.receive(encode_raw(code, payload, 9), now=talk.now))
        assert [output.reason for output in talk.of(FrameRejected)] == [reason]
    talk.out = list(talk.session.receive(b"\x05\x01\0", now=talk.now))
    status = talk.session.status()
    assert (status.rejected, status.crc_failures) == (4, 0)
    assert talk.session.recent()[-1] == "0501"


# --- commands -------------------------------------------------------------------------------


def test_command_is_answered_with_the_devices_code() -> None:
    talk = Talk().up()
    refs = [talk.session.send(c, now=talk.now) for c in (ARM, Open(1), ResetLatch())]
    talk.exchange()
    assert talk.of(CommandAnswered) == [
        CommandAnswered(refs[0], ARM, ReplyCode.OK),
        CommandAnswered(refs[1], Open(1), ReplyCode.OK),
        CommandAnswered(refs[2], ResetLatch(), ReplyCode.OK),
    ]
    assert talk.session.status().resent == 0


def test_command_is_resent_with_its_number_then_given_up() -> None:
    talk = Talk().up()
    talk.device.mute.add(Arm)
    ref = talk.session.send(ARM, now=talk.now)
    talk.wait(3.0)
    arms = talk.heard(Arm)
    assert len(arms) == 8
    assert len({seq for seq, _ in arms}) == 1
    assert talk.of(CommandUnanswered) == [CommandUnanswered(ref, ARM, 8)]
    assert talk.session.status().resent == 7
    assert talk.session.status().state == "up"


def test_commands_keep_their_order() -> None:
    talk = Talk().up()
    talk.device.mute.add(Arm)
    talk.session.send(ARM, now=talk.now)
    talk.session.send(Open(1), now=talk.now)
    talk.wait(0.2)
    assert not talk.heard(Open)
    talk.device.mute.clear()
    talk.wait(0.2)
    assert talk.heard(Open)


@pytest.mark.parametrize("off", [Close(0), SetOutput(Output.LAMP, 0, 0)])
def test_switching_off_waits_for_nothing_and_takes_back_every_open(off: Any) -> None:
    talk = Talk().up()
    talk.device.mute |= {Arm, Open}
    talk.session.send(ARM, now=talk.now)
    opening = talk.session.send(Open(1), now=talk.now)
    talk.exchange()
    closing = talk.session.send(off, now=talk.now)
    talk.exchange()
    assert talk.of(CommandAnswered)[-1] == CommandAnswered(closing, off, ReplyCode.OK)
    talk.wait(3.0)
    assert CommandUnanswered(opening, Open(1), 0) in talk.out
    assert not talk.heard(Open)


def test_open_already_on_its_way_is_not_repeated_after_a_close() -> None:
    talk = Talk().up()
    talk.device.mute |= {Open, Close}
    opening = talk.session.send(Open(1), now=talk.now)
    talk.exchange()
    talk.session.send(Close(1), now=talk.now)
    talk.wait(1.0)
    assert CommandUnanswered(opening, Open(1), 1) in talk.out
    assert len(talk.heard(Open)) == 1
    assert len(talk.heard(Close)) > 3


def test_an_older_target_is_not_sent_after_a_newer_one() -> None:
    talk = Talk()
    talk.device.mute.add(Rearm)
    talk.up()
    for target in (100, 200):
        talk.session.send(Rearm(1, target), now=talk.now)
        talk.exchange()
    talk.wait(0.3)
    targets = [message.target for _, message in talk.heard(Rearm)]
    assert targets[0] == 100 and set(targets[1:]) == {200}
    assert len(targets) > 2


def test_command_without_a_link_fails_at_once() -> None:
    session = Session()
    ref = session.send(ARM, now=5.0)
    assert session.next_deadline() == 5.0
    assert session.tick(now=5.0) == (CommandUnanswered(ref, ARM, 0),)
    assert session.next_deadline() is None


def test_heartbeats_keep_their_pace() -> None:
    talk = Talk().up()
    before = len(talk.heard(Heartbeat))
    talk.wait(2.0)
    assert len(talk.heard(Heartbeat)) - before in (19, 20)


def test_next_deadline_is_pure_and_tick_idempotent() -> None:
    talk = Talk().up()
    deadline = talk.session.next_deadline()
    assert deadline == talk.session.next_deadline()
    assert deadline is not None
    assert talk.session.tick(now=deadline - 0.001) == ()
    assert talk.session.data_to_send() == b""
    talk.session.tick(now=deadline)
    assert talk.session.data_to_send()
    talk.session.tick(now=deadline)
    assert talk.session.data_to_send() == b""


# --- events ---------------------------------------------------------------------------------


def events(*numbers: int) -> list[Event]:
    return [Event(number, EventCode.INTERLOCK_OPENED, 0, number * 10) for number in numbers]


def numbers(talk: Talk) -> list[int]:
    return [output.event.number for output in talk.of(DeviceEventReceived)]


def happen(talk: Talk, *, lost: set[int], which: list[Event]) -> None:
    """Events happen on the device; some frames are lost on the way."""
    for event in which:
        talk.device.events.append(event)
        wire = talk.device.send(event)
        if event.number not in lost:
            talk.out += talk.session.receive(wire, now=talk.now)


def test_what_happened_before_the_link_is_delivered_first() -> None:
    device = FakeDevice()
    device.events = events(1, 2, 3)
    talk = Talk(device).up()
    happen(talk, lost=set(), which=events(4))
    assert numbers(talk) == [1, 2, 3, 4]
    assert talk.of(DeviceEventReceived)[0].ticks == 10


def test_an_early_event_whose_frame_is_lost_is_asked_for_again() -> None:
    device = FakeDevice()
    device.events = events(1, 2, 3)
    talk = Talk(device)
    talk.session.port_opened(now=talk.now)
    device.receive(talk.session.data_to_send())
    talk.out += talk.session.receive(device.transmit(), now=talk.now)
    device.receive(talk.session.data_to_send())
    pieces = device.transmit().split(b"\0")
    talk.out += talk.session.receive(b"\0".join(pieces[1:]), now=talk.now)  # without event 1
    talk.exchange()
    assert numbers(talk) == [1, 2, 3]


def test_events_while_the_port_was_gone_are_asked_for() -> None:
    """As many as make the low byte look as before."""
    device = FakeDevice()
    device.events = events(1)
    talk = Talk(device).up()
    talk.session.port_lost("unplugged", now=talk.now)
    device.events += events(*range(2, 258))
    talk.now += 60.0
    talk.up()
    talk.wait(0.5)
    assert numbers(talk) == [1, *range(242, 258)]
    assert talk.of(EventsLost) == [EventsLost(2, 241)]


def test_a_hole_is_asked_for_and_delivered_in_order() -> None:
    device = FakeDevice()
    device.events = events(1)
    talk = Talk(device).up()
    happen(talk, lost={2, 3}, which=events(2, 3, 4, 5))
    assert numbers(talk) == [1]
    talk.wait(0.2)
    assert numbers(talk) == [1, 2, 3, 4, 5]
    assert [message.number for _, message in talk.heard(GetLog)] == [0, 2]


def test_a_lost_newest_event_is_noticed_by_the_samples() -> None:
    device = FakeDevice()
    device.events = events(1)
    talk = Talk(device).up()
    happen(talk, lost={2}, which=events(2))
    talk.now += 0.05
    talk.sample()
    talk.exchange()
    assert len(talk.heard(GetLog)) == 1  # it may still be on its way
    talk.wait(0.2)
    assert numbers(talk) == [1, 2]
    talk.wait(5.0)
    assert len(talk.heard(GetLog)) == 2


def test_events_no_longer_kept_are_reported_lost() -> None:
    device = FakeDevice()
    device.events = events(1)
    talk = Talk(device).up()
    late = events(*range(2, 40))
    happen(talk, lost=set(range(2, 30)), which=late)
    talk.wait(1.0)
    assert numbers(talk) == [1, *range(24, 40)]
    assert talk.of(EventsLost) == [EventsLost(2, 23)]
    assert len(talk.heard(GetLog)) == 2
    assert talk.session.status().events_lost == 22


def test_events_numbered_far_ahead_are_held_in_bounds() -> None:
    log = EventLog()
    log.start(1)
    for number in range(2000, 30_000):
        assert log.receive(Event(number, 1, 0, 0)) == []
    assert len(log._held) <= MAX_HELD
    ready, first, gone = log.answered()
    assert (first, gone) == (1, 1999)
    assert [event.number for event in ready] == list(range(2000, 2000 + MAX_HELD))
    assert [e.number for e in log.receive(Event(2000 + MAX_HELD, 1, 0, 0))] == [2000 + MAX_HELD]


@pytest.mark.parametrize("target", [2**63, -(2**63) - 1, 2**200])
def test_a_command_that_does_not_fit_is_never_sent_and_told(target: int) -> None:
    talk = Talk().up()
    command = Rearm(1, target)
    ref = talk.session.send(command, now=talk.now)
    talk.wait(0.2)
    assert talk.heard(Rearm) == []
    unanswered = talk.of(CommandUnanswered)
    assert [(u.ref, u.command) for u in unanswered] == [(ref, command)]


def test_numbers_wrap_without_a_zero() -> None:
    device = FakeDevice()
    device.events = events(*range(65520, 65536))
    talk = Talk(device).up()
    talk.wait(0.3)
    happen(talk, lost=set(), which=events(1, 2, 3))
    talk.wait(0.5)
    assert numbers(talk) == [*range(65520, 65536), 1, 2, 3]
    assert len(talk.heard(GetLog)) == 1


@given(st.lists(st.integers(1, 60), max_size=80), st.integers(1, 60))
def test_each_event_once_whatever_is_repeated(order: list[int], last: int) -> None:
    """Frames may come twice and in any order: none is delivered twice, numbers only rise."""
    talk = Talk().up()
    for number in [*order, last]:
        talk.feed(events(number)[0])
    found = numbers(talk)
    assert found == sorted(set(found))


def test_order_report_of_this_boot_is_unwrapped() -> None:
    talk = Talk(FakeDevice(HELLO._replace(tick=0xFFFF_FFF0))).up()
    talk.wait(1.0)
    four = (0, 0, 0, 0)
    report = OrderReport(1, 3, 1, 77, 0xFFFF_FFF8, 5, 10, 10, four, four, four, four)
    talk.feed(report)
    assert talk.of(OrderReported) == [OrderReported(report, 0xFFFF_FFF8, (1 << 32) + 5)]
    earlier = report._replace(boot_id=76)
    talk.feed(earlier)
    assert talk.of(OrderReported)[-1] == OrderReported(earlier, 0xFFFF_FFF8, 5)


def test_hello_again_changes_nothing() -> None:
    talk = Talk().up()
    talk.wait(1.0)
    talk.feed(Hello(*HELLO[:-3], 1000, *HELLO[-2:]))
    assert len(talk.of(LinkUp)) == 1


@pytest.mark.parametrize(("frame_ticks", "beats"), [(50, 20), (200, 10), (1000, 16)])
def test_heartbeats_go_with_frames_up_to_twice_as_rare(frame_ticks: int, beats: int) -> None:
    """Half as often as usual at the most: the least heartbeat limit is 0.5 s."""
    talk = Talk(FakeDevice(HELLO._replace(frame_ticks=frame_ticks))).up()
    talk.wait(1.0, sample_every=frame_ticks / 1000.0)
    before = len(talk.heard(Heartbeat))
    talk.wait(2.0, sample_every=frame_ticks / 1000.0)
    assert len(talk.heard(Heartbeat)) - before == pytest.approx(beats, abs=1)
