"""What the doctor looks at on the serial port: the device itself, or the daemon that has it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field

from platelink.config.model import Config
from platelink.contract.unit import PublisherNow, Reading, Status
from platelink.daemon.calibrated import read_held, sensors_of
from platelink.doctor.findings import Finding, fault
from platelink.link import messages as m
from platelink.link.outputs import LinkOutput, LinkState, LinkStatus, SampleReceived
from platelink.link.port import Port, PortError, holder
from platelink.link.session import Session
from platelink.sensing.readings import Converter
from platelink.unit.view import reading_now

HELLO_WAIT_S = 3.0
"""A board that was reset by opening its port needs up to two seconds to start."""
LISTEN_S = 1.0
"""Then its samples are watched for this long."""
_LOOK_S = 0.02
_LOSS_LIMIT_PCT = 2.0
HEAD_LOW_C, HEAD_HIGH_C = -20.0, 80.0
"""What photodiodes and their amplifiers are made for, about (from memory)."""
_SAYS = {
    "missing": "nothing is measured: the device does not have it",
    "range": "its signal is out of range",
    "implausible": "it shows a pressure below zero",
    "saturated": "it reads full scale in the dark",
    "at_floor": "it shows 0 counts",
    "refused": "its sums are impossible",
}
"""Of flags of quality, by what follows the sensor's name."""
LIGHT_OR = {name: f"[{name}]" for name in ("vacuum", "oven", "head", "water")} | {
    "light": "[[light.channel]]"
}


@dataclass(slots=True)
class Heard:
    """What came from the port."""

    size: int = 0
    lost: str = ""
    samples: list[SampleReceived] = field(default_factory=list)
    status: LinkStatus | None = None


def look_at_device(config: Config, status: Status | None) -> Iterator[Finding]:
    """Port and device; ``status`` is the daemon's, where one runs."""
    if status is not None:
        yield from _by_daemon(config, status)
        return
    path = config.link.port
    try:
        heard = asyncio.run(listen(path, config.link.baud))
    except PortError as error:
        yield fault("port", error)
        yield Finding("device", "left out", "its port cannot be opened")
        return
    if heard.lost:
        yield Finding("port", "wrong", heard.lost, advice="check the cable and the device's supply")
    else:
        measured = f"{path} opened at {config.link.baud} bit/s, {heard.size} bytes came"
        yield Finding("port", "ok", measured)
    yield from _heard(config, heard)


async def listen(path: str, baud: int) -> Heard:
    """Open the port, wait for the hello, watch the samples. Raises ``PortError``."""
    heard, session = Heard(), Session()
    loop = asyncio.get_running_loop()

    def take(outputs: tuple[LinkOutput, ...]) -> None:
        heard.samples += [o for o in outputs if isinstance(o, SampleReceived)]

    def on_data(data: bytes) -> None:
        heard.size += len(data)
        take(session.receive(data, now=loop.time()))

    def on_lost(reason: str) -> None:
        heard.lost = reason

    port = Port(path, baud=baud, on_data=on_data, on_lost=on_lost)
    port.open()
    try:
        take(session.port_opened(now=loop.time()))
        end = loop.time() + HELLO_WAIT_S
        while loop.time() < end and not heard.lost:
            take(session.tick(now=loop.time()))
            port.write(session.data_to_send())
            await asyncio.sleep(_LOOK_S)
            state = session.status(now=loop.time()).state
            if state is LinkState.MISMATCH:
                break
            if state is LinkState.UP and end > loop.time() + LISTEN_S:
                end = loop.time() + LISTEN_S
    finally:
        heard.status = session.status(now=loop.time())
        port.close()
    return heard


def _heard(config: Config, heard: Heard) -> Iterator[Finding]:
    status = heard.status
    assert status is not None
    hello = status.hello
    if status.state is not LinkState.UP or hello is None:
        yield Finding(
            "device",
            "wrong",
            status.text,
            f"an answer within {HELLO_WAIT_S:g} s",
            "check that the device has its supply and its firmware, and the baud rate",
        )
        return
    firmware = ".".join(map(str, hello.firmware))
    who = f"firmware {firmware}, protocol {hello.protocol}, {hello.adc_bits} bit, "
    measures = "measures" if hello.capabilities & m.Capability.SUPPLY else "does not measure"
    yield Finding("device", "ok", f"{who}light channels: {hello.light_channels}, up for "
                                  f"{hello.tick / max(1, hello.tick_hz):.0f} s; it {measures} its "
                                  "converter's reference")  # fmt: skip
    yield from _compared(config, hello)
    yield _traffic(status)
    if heard.samples:
        yield from _inputs(heard.samples[-1].sample.inputs)
        yield from judged(config, _read(config, hello, heard.samples))


def _read(config: Config, hello: m.Hello, samples: list[SampleReceived]) -> Reading | None:
    converter = Converter(sensors_of(config, read_held(config)[0] or {}))
    converter.has_water = bool(hello.capabilities & m.Capability.WATER)
    reading = None
    for received in samples:
        reading = converter.read(received.sample, received.ticks, received.t, received.lost)
    return reading_now(reading)


def judged(config: Config, reading: Reading | None) -> Iterator[Finding]:
    """What the sensors say, where it cannot be or nothing can be made with it."""
    if reading is None:
        return
    for flag in reading.quality:
        subject, _, what = flag.partition("_")
        if what in _SAYS:
            yield Finding(subject, "wrong", _SAYS[what], "a signal within its range",
                          f"check this sensor, its wire, and its section of {LIGHT_OR[subject]} in "
                          "the configuration")  # fmt: skip
    head_c = reading.head_c
    if head_c is not None and not HEAD_LOW_C <= head_c <= HEAD_HIGH_C:
        yield Finding(
            "head",
            "wrong",
            f"the light sensor's head has {head_c:.0f} °C",
            f"{HEAD_LOW_C:g} to {HEAD_HIGH_C:g} °C",
            "check its sensor and wire; if the reading is right, let the unit cool and find "
            "the cause",
        )
    for name, value, unit in (
        ("oven air", reading.oven_c, "°C"), ("vacuum", reading.vacuum_kpa, "kPa"),
        ("water", reading.water_c, "°C"),
    ):  # fmt: skip
        if value is not None:
            yield Finding(name, "ok", f"{value:.1f} {unit}")


def _compared(config: Config, hello: m.Hello) -> Iterator[Finding]:
    bits, channels = config.unit.adc_bits, len(config.light.channel)
    if hello.adc_bits != bits:
        yield Finding(
            "device",
            "wrong",
            f"its converter has {hello.adc_bits} bit",
            f"[unit] adc_bits = {bits}",
            "correct [unit] adc_bits and calibrate: calibrations count in steps of the converter",
        )
    if hello.light_channels < channels:
        yield Finding(
            "device",
            "wrong",
            f"it has {hello.light_channels} light channels",
            f"{channels} [[light.channel]] sections",
            "remove the sections that have no sensor",
        )


def _traffic(status: LinkStatus) -> Finding:
    sent = status.frames + status.frames_lost
    lost_pct = 100.0 * status.frames_lost / sent if sent else 0.0
    bad = status.crc_failures + status.rejected
    measured = (
        f"{status.frames} frames, {status.frames_lost} lost, {bad} damaged, "
        f"{status.resent} commands sent again"
    )
    if lost_pct <= _LOSS_LIMIT_PCT and bad <= 1:  # the first piece may be half a frame
        return Finding("link", "ok", measured)
    return Finding(
        "link",
        "notice",
        measured,
        f"at most {_LOSS_LIMIT_PCT:g} % lost, none damaged (neither costs dose)",
        "use a shorter or shielded cable, away from lamp ballasts",
    )


def _inputs(inputs: int) -> Iterator[Finding]:
    blocked = []
    if not inputs & m.Input.INTERLOCK_CLOSED:
        blocked.append("the interlock is open")
    if not inputs & m.Input.STOP_RELEASED:
        blocked.append("the stop button is pressed")
    if blocked:
        yield Finding(
            "inputs",
            "notice",
            " and ".join(blocked),
            "light needs the interlock closed and the stop released",
            "close the lid, release the stop button, or check their wiring",
        )


def _by_daemon(config: Config, status: Status) -> Iterator[Finding]:
    link, exposure = status.link, status.exposure
    yield Finding("daemon", "ok", f"runs, exposure: {exposure.state if exposure else 'none'}")
    if status.problem:
        yield fault("daemon", PortError(status.problem))
    if status.service is not None and status.service.problem:
        yield Finding("service", "wrong", status.service.problem)
    if status.journal.fault:
        yield Finding("journal", "wrong", f"the daemon cannot write it: {status.journal.fault}")
    if status.publisher is not None:
        yield _publishing(status.publisher)
    up = link.state == LinkState.UP
    used = f"{config.link.port} is in use by {holder(config.link.port)}"
    yield Finding("port", "ok" if up else "unknown", used if up else "left to the daemon")
    yield Finding(
        "device",
        "ok" if up else "wrong",
        f"{link.text}; {link.frames} frames, {link.frames_lost} lost, {link.crc_failures} damaged, "
        f"{link.reconnects} reconnects",
        "" if up else "a link that is up",
        "" if up else "check the cable, the device's supply and [link] port",
    )
    if up and status.reading is not None:
        yield from _inputs(status.reading.inputs)
        yield from judged(config, status.reading)


def _publishing(publisher: PublisherNow) -> Finding:
    waiting = f"{publisher.pending} entries wait, the oldest {publisher.lag_s:.0f} s"
    fine = publisher.connected and not publisher.problem and not publisher.notice
    text = ". ".join(filter(None, (waiting, publisher.problem, publisher.notice)))
    return Finding("publisher", "ok" if fine else "notice", text)
