"""A bus read over a pseudo terminal, with pymodbus's own server as instruments, and every fault."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from instruments import server
from instruments.line import Line
from platelink.daemon.clock import Clock
from platelink.daemon.polling import Polling
from platelink.instruments import modbus
from platelink.instruments.modbus import Bus, BusSettings, WriteRefused
from platelink.sensing.beside import Reply, Unanswered, cannot_be, unanswered
from platelink.sensing.calibration import Quantity
from platelink.sensing.registers import BusInstrument, Form, number

LONG_S, SHORT_S = 20.0, 2.5
"""Time-outs where an answer comes, however busy this computer is, and where none does."""
GAUGE = BusInstrument(
    name="gauge-1", quantity=Quantity.VACUUM, slave=5, register=server.INT_AT, scale=0.01,
    low=-102.0, high=10.0, poll_s=0.05, stale_after_s=1.0,
)  # fmt: skip
OVEN = BusInstrument(
    name="oven-1", quantity=Quantity.OVEN, slave=7, register=0, holding=False, scale=0.1,
    unit="°C", low=0.0, high=200.0, poll_s=0.05, stale_after_s=1.0,
)  # fmt: skip


@pytest.fixture
def line() -> Iterator[Line]:
    with Line() as one:
        yield one


@contextmanager
def instruments_at(line: Line) -> Iterator[None]:
    """At its far end, as a process."""
    process = subprocess.Popen(
        [sys.executable, str(Path(server.__file__)), line.far], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "ready\n"
        yield
    finally:
        process.kill()
        process.stdout.close()
        process.wait()


@pytest.fixture
def served(line: Line) -> Iterator[Line]:
    """With instruments at its far end."""
    with instruments_at(line):
        yield line


def bus_at(line: Line, timeout_s: float = LONG_S) -> Bus:
    return Bus(BusSettings(line.host, 115200, "none", 1, timeout_s))


def framed(slave: int, payload: bytes) -> bytes:
    """As it goes over the wire, by the library."""
    return FramerRTU(DecodePDU(True)).encode(payload, slave, 0)


# --- what is told --------------------------------------------------------------------------------


@pytest.mark.system
def test_numbers_come_as_the_instruments_tell_them(served: Line) -> None:
    bus = bus_at(served)
    told = bus.read(GAUGE)
    assert told.why is None
    assert GAUGE.value(number(told.registers, GAUGE.form)) == pytest.approx(72.40)
    real = replace(GAUGE, register=server.FLOAT_AT, form=Form.FLOAT32, scale=1.0)
    assert real.value(number(bus.read(real).registers, real.form)) == pytest.approx(72.5)
    told = bus.read(OVEN)
    assert OVEN.value(number(told.registers, OVEN.form)) == pytest.approx(70.5)
    nan = replace(real, register=server.NAN_AT)
    raw = number(bus.read(nan).registers, nan.form)
    assert nan.value(raw) is None and "not a number" in cannot_be(nan, raw)
    broken = replace(GAUGE, register=server.BROKEN_AT)
    raw = number(bus.read(broken).registers, broken.form)
    assert broken.value(raw) is None
    assert cannot_be(broken, raw).startswith("gauge-1 tells 32767, which stands for no value")
    bus.close()


@pytest.mark.system
def test_nothing_but_reading_ever_goes_over_the_wire(served: Line) -> None:
    bus = bus_at(served)
    for one in (GAUGE, OVEN, replace(GAUGE, register=999), replace(OVEN, holding=True)):
        bus.read(one)
    bus.close()
    frames = [served.sent[i : i + 8] for i in range(0, len(served.sent), 8)]
    assert len(frames) == 4
    assert [frame[1] for frame in frames] == [3, 4, 3, 3]


def test_a_frame_that_would_write_is_not_sent(line: Line) -> None:
    client = bus_at(line, SHORT_S)._made()
    with pytest.raises(WriteRefused, match="function 6"):
        client.write_register(0, 1, device_id=5)
    client.close()
    assert line.sent == b""


@pytest.mark.system
@pytest.mark.parametrize(
    ("code", "says"),
    [
        (1, "does not know function 3 (exception 1, illegal function); set function"),
        (2, "has no register 999 (exception 2, illegal data address); count from 0"),
        (3, "does not give that many registers (exception 3, illegal data value); correct type"),
        (4, "reports a failure of its own (exception 4, server device failure); switch it off"),
        (6, "is busy (exception 6, server device busy); allow more time"),
    ],
)
def test_an_exception_is_told_in_words(served: Line, code: int, says: str) -> None:
    one = replace(GAUGE, register=999 if code == 2 else server.REFUSES_AT + code)
    bus = bus_at(served)
    told = bus.read(one)
    assert (told.why, told.code) == (Unanswered.REFUSED, code)
    assert unanswered(one, told).startswith(f"gauge-1 {says}")
    assert bus.read(GAUGE).why is None  # and the next one is answered
    bus.close()


# --- a bad line ----------------------------------------------------------------------------------


def test_silence(line: Line) -> None:
    bus = bus_at(line, 0.1)
    told = bus.read(GAUGE)
    assert told.why is Unanswered.SILENT
    assert "does not answer at address 5; check its power, the two wires" in unanswered(GAUGE, told)
    bus.close()


ANSWER = framed(5, bytes((3, 2, 0xE3, 0xB8)))
"""-7240 in a holding register."""


@pytest.mark.parametrize(
    "what",
    [
        pytest.param(bytes(b ^ 0x55 for b in ANSWER), id="another baud rate: other bytes"),
        pytest.param(ANSWER[:-1] + bytes((ANSWER[-1] ^ 1,)), id="a bit of the check"),
        pytest.param(ANSWER[:4], id="cut off"),
        pytest.param(b"\0", id="a break"),
    ],
)
def test_a_damaged_answer_is_none_and_says_what_to_check(line: Line, what: bytes) -> None:
    line.answer = lambda request: what
    bus = bus_at(line, SHORT_S)
    told = bus.read(GAUGE)
    assert (told.why, told.registers) == (Unanswered.DAMAGED, ())
    assert "damaged; check baud rate, parity and stop bits" in unanswered(GAUGE, told)
    line.answer = lambda request: ANSWER
    assert number(bus.read(GAUGE).registers, GAUGE.form) == -7240.0
    bus.close()


@pytest.mark.parametrize("answer", [(3, 4, 0, 1, 0xE3, 0xB8), (3, 0), (4, 2, 0xE3, 0xB8)])
def test_an_answer_of_another_length_or_kind_is_damaged(
    line: Line, answer: tuple[int, ...]
) -> None:
    """It passes its check, and is not what was asked for."""
    line.answer = lambda request: framed(5, bytes(answer))
    bus = bus_at(line, SHORT_S)
    told = bus.read(GAUGE)
    assert (told.why, told.registers) == (Unanswered.DAMAGED, ())
    bus.close()


def test_another_address_that_answers_is_named(line: Line) -> None:
    line.answer = lambda request: framed(9, ANSWER[1:-2])
    bus = bus_at(line, SHORT_S)
    told = bus.read(GAUGE)
    assert (told.why, told.code, told.registers) == (Unanswered.ANOTHER, 9, ())
    assert unanswered(GAUGE, told).startswith("address 9 answers instead of gauge-1 at 5")
    bus.close()


def test_an_answer_too_late_is_not_taken_for_the_next(line: Line) -> None:
    bus = bus_at(line, 0.1)
    assert bus.read(GAUGE).why is Unanswered.SILENT
    late = framed(5, bytes((3, 2, 0x00, 0x01)))
    line.answer = lambda request: late  # comes with nobody waiting for it any more
    bus._client.socket.write(b"?")  # type: ignore[union-attr]
    while not bus._client.socket.in_waiting:  # type: ignore[union-attr]
        pass
    line.answer = lambda request: ANSWER
    bus._client.comm_params.timeout_connect = LONG_S  # type: ignore[union-attr]
    assert number(bus.read(GAUGE).registers, GAUGE.form) == -7240.0
    bus.close()


def test_a_port_that_is_not_there_is_named_with_its_setting(tmp_path: Path) -> None:
    bus = Bus(BusSettings(str(tmp_path / "none"), 19200, "even", 1, 0.1))
    told = bus.read(GAUGE)
    assert told.why is Unanswered.PORT
    assert "there is no device at" in told.text and "correct [modbus] port" in told.text
    bus.close()


def test_a_port_in_use_is_told(line: Line) -> None:
    first, second = bus_at(line, 0.1), bus_at(line, 0.1)
    first.read(GAUGE)
    told = second.read(GAUGE)
    assert told.why is Unanswered.PORT and "is in use by" in told.text
    first.close()
    assert second.read(GAUGE).why is Unanswered.SILENT
    second.close()


def test_settings_that_the_port_does_not_take_are_told(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object, **settings: object) -> None:
        assert settings["parity"] == "E"
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr("serial.Serial", refuses)
    bus = Bus(BusSettings(line.host, 115200, "even", 1, 0.1))
    told = bus.read(GAUGE)
    assert told.why is Unanswered.PORT
    assert "does not take 115200 bit/s with this parity" in told.text and "[modbus]" in told.text
    bus.close()


def test_without_the_extra_it_says_how_to_install_it(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pymodbus.exceptions", None)
    told = bus_at(line).read(GAUGE)
    assert told == Reply("gauge-1", 0.0, why=Unanswered.PORT, text=modbus.NOT_INSTALLED)


# --- the thread ----------------------------------------------------------------------------------


@pytest.mark.system
def test_the_thread_gives_each_of_them_to_the_loop_and_ends(served: Line) -> None:
    async def listen() -> dict[str, Reply]:
        found: dict[str, Reply] = {}
        both = asyncio.Event()

        def give(reply: Reply) -> None:
            if reply.why is None:
                found[reply.name] = reply
            if len(found) == 2:
                both.set()

        polling = Polling(bus_at(served), (GAUGE, OVEN), Clock())
        polling.begin(give)
        await asyncio.wait_for(both.wait(), 60.0)
        await asyncio.to_thread(polling.stop)
        told = len(found)
        polling._deliver()  # what still waited is given to nobody
        assert len(found) == told
        return found

    found = asyncio.run(listen())
    assert number(found["gauge-1"].registers, Form.INT16) == server.GAUGE_RAW
    assert number(found["oven-1"].registers, Form.INT16) == server.OVEN_RAW
    assert all(0.0 <= reply.age_s < LONG_S for reply in found.values())
