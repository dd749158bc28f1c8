"""Whatever the line does: good frames are answered, spoiled ones counted, none is ever cut."""

from __future__ import annotations

import binascii
import itertools
import random

import pytest
from cobs import cobs

from contract.line import LAMP, Line, frame, order
from platelink.link import messages as m
from platelink.link.messages import ReplyCode


@pytest.mark.parametrize(
    "data",
    [
        b"\x01\0",
        b"\x05\x01\x02\0",  # the block is longer than the frame
        b"\x05\x01\x02\x03\x04\0",  # four bytes: shorter than any frame
        frame(0x49, 1, b"")[:-2] + b"\x77\0",
        frame(0x44, 1, b"\0" * 161),
        b"\xff" * 400 + b"\0",
    ],
)
def test_spoiled_frames_are_counted_and_not_answered(line: Line, data: bytes) -> None:
    line.seen.clear()
    line.deliver(data)
    line.ticks(60)
    assert [x for x in line.seen if not isinstance(x, m.Sample)] == []
    assert line.sample().rx_bad == 1
    assert line.send(m.GetHello(1)) is ReplyCode.OK


def test_zeros_between_frames_are_no_error(line: Line) -> None:
    line.deliver(b"\0\0\0\0\0")
    line.deliver(b"\0\0" + frame(*m.pack(m.GetHello(1))[:1], 7, b"\1"))
    assert line.answer(7).code == ReplyCode.OK
    assert line.sample().rx_bad == 0


def test_half_a_frame_is_thrown_away_at_the_next_zero(line: Line) -> None:
    line.deliver(frame(0x44, 1, bytes(range(31)))[:20] + b"\0")
    assert line.send(m.GetOrder()) is ReplyCode.OK
    assert line.sample().rx_bad == 1


def spoiled(data: bytes) -> int:
    """Frames in garbage, none of them good: a general library's reading of it."""
    count = 0
    for piece in filter(None, data.split(b"\0")[:-1]):
        try:
            body = cobs.decode(piece)
        except cobs.DecodeError:
            body = b""
        count += 1
        assert len(body) < 5 or binascii.crc_hqx(body, 0xFFFF) != 0
    return count


@pytest.mark.parametrize("seed", range(4))
def test_noise_is_counted_and_the_line_works_on(line: Line, seed: int) -> None:
    rng = random.Random(seed)
    line.open(order())
    bad = 0
    for _ in range(8):
        noise = bytes(rng.choice([0, rng.randrange(256)]) for _ in range(rng.randint(1, 60)))
        noise += b"\x02\0"
        bad += spoiled(noise)
        line.deliver(noise)
        assert line.send(m.GetOrder()) is ReplyCode.OK
    line.send(m.Heartbeat())
    sample = line.sample()
    assert (sample.rx_bad, sample.rx_overrun) == (bad % 65536, 0)
    assert sample.outputs == LAMP


def test_an_echoing_line_breeds_nothing(line: Line) -> None:
    """All that the device sends comes back to it: it sends no more for that."""
    line.settle()
    line.seqs.clear()
    began, sent = line.tick, 0
    line.board.receive(frame(m.CODES[m.GetOrder], 5, b""))
    for _ in range(100):
        line.ticks(10)
        fresh = line.seqs[sent:]
        echoed = [
            (m.CODES[type(x)], m.pack(x)[1]) for x in line.seen[len(line.seen) - len(fresh) :]
        ]
        for seq, (code, payload) in zip(fresh, echoed, strict=True):
            line.board.receive(frame(code, seq, payload))
        sent = len(line.seqs)
    line.settle()
    samples = sum((sample.tick - began) % 2**32 < 2**31 for sample in line.samples())
    assert len(line.seqs) - samples == 2  # the report and its Reply
    assert line.sample().rx_bad >= sent - 2
    assert line.send(m.GetHello(1)) is ReplyCode.OK


def test_commands_back_to_back_are_carried_out_in_order(line: Line) -> None:
    commands = [m.Heartbeat(), order(), m.Open(1), m.Close(2), m.GetOrder()]
    line.clear()
    data = b"".join(
        frame(m.pack(command)[0], 100 + n, m.pack(command)[1]) for n, command in enumerate(commands)
    )
    line.board.receive(data)  # as a host may send them, at the pace of the line
    line.settle()
    replies = [(x.seq, x.code) for x in line.seen if isinstance(x, m.Reply)]
    assert replies == [
        (101, ReplyCode.OK), (102, ReplyCode.OK), (103, ReplyCode.WRONG_ORDER), (104, ReplyCode.OK),
    ]  # fmt: skip
    assert line.lamp


def test_command_numbers_of_any_kind(line: Line) -> None:
    for seq in (0, 65535, 0, 7, 7, 3):
        assert line.send(m.GetOrder(), seq=seq) is ReplyCode.OK


def test_device_numbers_its_frames_without_holes(line: Line) -> None:
    line.ticks(500)
    line.send(m.GetLog(0))
    line.send(m.GetOrder())
    line.ticks(200)
    assert line.seqs == list(range(len(line.seqs)))


def missing(line: Line) -> int:
    """Frames the device numbered and did not send."""
    assert all(b > a for a, b in itertools.pairwise(line.seqs))
    return line.seqs[-1] + 1 - len(line.seqs)


def overload(line: Line) -> None:
    """Ask for more than the line carries: Samples, reports and logs without a pause. A board
    whose line has no speed is not read meanwhile: its line stands still."""
    assert line.send(m.SetFrame(10)) is ReplyCode.OK
    ask = b"".join(
        frame(m.CODES[kind], 9, m.pack(kind(*values))[1])
        for kind, values in ((m.GetOrder, ()), (m.GetLog, (0,)), (m.GetHello, (1,)))
    )
    listen, line.listen = line.listen, list
    for _ in range(150):
        line.board.receive(ask)
        line.ticks(20)
    line.listen = listen
    line.settle()
    line.send(m.SetFrame(100))
    line.settle()


def test_too_much_is_dropped_in_whole_frames(line: Line) -> None:
    overload(line)  # `split` fails on any frame that was cut
    assert missing(line) > 50
    sample = line.sample()
    assert (sample.rx_bad, sample.rx_overrun) == (0, 0)
    assert line.send(m.GetOrder()) is ReplyCode.OK
    before = missing(line)
    line.ticks(2000)
    assert missing(line) == before


def test_every_dropped_frame_keeps_its_number(line: Line) -> None:
    """Reports with their Replies and Samples, some sent, some not: all of them are numbered."""
    assert line.send(m.SetFrame(10)) is ReplyCode.OK
    line.sample()
    line.seen, line.seqs = [], []
    ask = frame(m.CODES[m.GetOrder], 9, b"")
    listen, line.listen = line.listen, list  # a line without a speed stands still meanwhile
    asked = 300
    for _ in range(asked):
        line.board.receive(ask)
        line.ticks(13)
    line.listen = listen
    line.settle()
    line.sample()
    assert len(line.seqs) == len(line.seen)
    sampled = [
        (q, x.tick) for q, x in zip(line.seqs, line.seen, strict=True) if isinstance(x, m.Sample)
    ]
    (first, first_tick), (last, last_tick) = sampled[0], sampled[-1]
    before = sum(
        not isinstance(x, m.Sample) for q, x in zip(line.seqs, line.seen, strict=True) if q < first
    )
    assert last - first == (last_tick - first_tick) // 10 + 2 * asked - before
    assert missing(line) > 100


def test_an_ok_is_never_without_its_answer(line: Line) -> None:
    overload(line)
    kinds = [type(x) for x in line.seen]
    codes = [x.type if isinstance(x, m.Reply) else None for x in line.seen]
    for kind, answer in ((m.GetOrder, m.OrderReport), (m.GetHello, m.Hello)):
        oks = codes.count(m.CODES[kind])
        assert 10 < oks < 150
        assert oks == kinds.count(answer)


def test_order_ends_and_is_told_through_all_that(line: Line) -> None:
    line.analog[0] = 10
    opened = line.open(order(target=20000))
    overload(line)
    report = line.closed()
    assert (report.close_tick - opened, report.order_sum) == (2000, 20000)
