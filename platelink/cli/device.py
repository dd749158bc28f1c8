"""What the doctor looks at on the serial port: the device itself, or the daemon that has it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from platelink.cli.findings import Finding, told
from platelink.config import Config
from platelink.link import messages as m
from platelink.link.outputs import LinkOutput, LinkState, LinkStatus, SampleReceived
from platelink.link.port import Port, PortError, holder
from platelink.link.session import Session

HELLO_WAIT_S = 3.0
"""A board that was reset by opening its port needs up to two seconds to start."""
LISTEN_S = 1.0
"""Then its samples are watched for this long."""
_LOOK_S = 0.02
_LOSS_LIMIT_PCT = 2.0


@dataclass(slots=True)
class Heard:
    """What came from the port."""

    size: int = 0
    lost: str = ""
    samples: list[SampleReceived] = field(default_factory=list)
    status: LinkStatus | None = None


def look_at_device(config: Config, status: dict[str, Any] | None) -> Iterator[Finding]:
    """Port and device; ``status`` is the daemon's, where one runs."""
    if status is not None:
        yield from _by_daemon(config, status)
        return
    path = config.link.port
    try:
        heard = asyncio.run(listen(path, config.link.baud))
    except PortError as error:
        yield told("port", error)
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
            f"a hello within {HELLO_WAIT_S:g} s",
            "check that the device has its supply and its firmware, and the baud rate",
        )
        return
    firmware = ".".join(map(str, hello.firmware))
    who = f"firmware {firmware}, protocol {hello.protocol}, {hello.adc_bits} bit, "
    yield Finding("device", "ok", f"{who}light channels: {hello.light_channels}, up for "
                                  f"{hello.tick / max(1, hello.tick_hz):.0f} s")  # fmt: skip
    yield from _compared(config, hello)
    yield _traffic(status)
    if heard.samples:
        yield from _inputs(heard.samples[-1].sample)


def _compared(config: Config, hello: m.Hello) -> Iterator[Finding]:
    bits, channels = config.unit.adc_bits, len(config.light.channel)
    if hello.adc_bits != bits:
        yield Finding(
            "device",
            "wrong",
            f"its converter has {hello.adc_bits} bit",
            f"unit.adc_bits = {bits}",
            "correct unit.adc_bits and calibrate: calibrations count in steps of the converter",
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
        f"at most {_LOSS_LIMIT_PCT:g} % lost and none damaged; no dose is lost by either",
        "use a shorter or shielded cable, away from lamp ballasts",
    )


def _inputs(sample: m.Sample) -> Iterator[Finding]:
    blocked = []
    if not sample.inputs & m.Input.INTERLOCK_CLOSED:
        blocked.append("the interlock is open")
    if not sample.inputs & m.Input.STOP_RELEASED:
        blocked.append("the stop button is pressed")
    if blocked:
        yield Finding(
            "inputs",
            "notice",
            " and ".join(blocked),
            "light needs the interlock closed and the stop released",
            "close the lid, release the button, or check their wiring",
        )


def _by_daemon(config: Config, status: dict[str, Any]) -> Iterator[Finding]:
    link = status.get("link") or {}
    state = str(link.get("state"))
    yield Finding("daemon", "ok", f"runs, exposure: {_exposure(status)}")
    problem = status.get("problem") or ""
    if problem:
        yield Finding("daemon", "wrong", str(problem))
    fault = (status.get("journal") or {}).get("fault") or ""
    if fault:
        yield Finding("journal", "wrong", f"the daemon cannot write it: {fault}")
    yield from _publishing(status.get("publisher"))
    up = state == LinkState.UP
    yield Finding("port", "ok" if up else "unknown", f"{config.link.port} is open in "
                  f"{holder(config.link.port)}" if up else "left to the daemon")  # fmt: skip
    counts = ", ".join(
        f"{link.get(name)} {word}"
        for name, word in (
            ("frames", "frames"),
            ("frames_lost", "lost"),
            ("crc_failures", "damaged"),
            ("reconnects", "reconnects"),
        )
    )
    yield Finding(
        "device",
        "ok" if up else "wrong",
        f"{link.get('text')}; {counts}",
        "" if up else "a link that is up",
        "" if up else "check the cable, the device's supply and link.port",
    )


def _publishing(publisher: dict[str, Any] | None) -> Iterator[Finding]:
    if publisher is None:
        return
    waiting = f"{publisher.get('pending')} entries wait, the oldest {publisher.get('lag_s'):.0f} s"
    problem = str(publisher.get("problem") or "")
    fine = publisher.get("connected") and not problem
    yield Finding("publisher", "ok" if fine else "notice", f"{waiting}. {problem}".rstrip(". "))


def _exposure(status: dict[str, Any]) -> str:
    exposure = status.get("exposure")
    return "none" if not exposure else str(exposure.get("state"))
