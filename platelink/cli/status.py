"""The command ``status``: what the running unit does now."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from platelink.cli.context import daemon, load_config
from platelink.cli.quantities import Display, clean
from platelink.control.alarm.states import AlarmState
from platelink.units import named

if TYPE_CHECKING:
    from platelink.contract.unit import Alarms, Link, Reading, Status


@click.command()
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def status(as_json: bool) -> None:
    """What the running daemon sees now."""
    with daemon() as client:
        now = client.status()
    if as_json:
        click.echo(json.dumps(now.model_dump(mode="json")))
        return
    for line in _lines(now, Display.of(load_config())):
        click.echo(line)


def _lines(now: Status, display: Display) -> Iterator[str]:
    from platelink.cli.plate_text import progress as plate_progress
    from platelink.cli.plate_text import step_title
    from platelink.cli.printing import progress

    yield from _link(now.link)
    yield f"light       {_light(now)}"
    yield from _reading(now.reading)
    for one in now.instruments or ():
        if one.problem:
            yield f"instrument  {clean(one.problem)}"
    yield f"exposure    {progress(now) if now.exposure else 'none'}"
    for plate in now.plates:
        step = f"{step_title(plate)}: {plate_progress(plate, display)}"
        yield f"plate       {clean(plate.plate)}, {step}"
    if names := ", ".join(_alarms(now.alarms)):
        yield f"alarms      {clean(names)}; see `platelink alarm list`"
    if now.publisher:
        texts = filter(None, (now.publisher.problem, now.publisher.notice))
        yield f"publisher   {', '.join((f'{now.publisher.pending} entries pending', *texts))}"
    if now.journal.notice:
        yield f"notice      {clean(now.journal.notice)}"
    for problem in filter(None, (now.problem, now.journal.fault)):
        yield f"problem     {problem}"


def _alarms(alarms: Alarms) -> Iterator[str]:
    """Those that mean something now; of one that does not call for its condition, why."""
    for alarm in alarms.list:
        if alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
            yield alarm.name
        elif alarm.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
            yield f"{alarm.name} ({alarm.state})"
        elif alarm.state != AlarmState.SUPPRESSED:
            yield f"{alarm.name} (over)"


def _light(now: Status) -> str:
    light = now.light
    if light.state == "unknown":
        return "not known, no information: treat it as on"
    if light.state == "dark" or now.advisory:
        return light.state
    return "on, without an order" if light.order is None else f"on, under order {light.order}"


def _link(link: Link) -> Iterator[str]:
    yield f"link        {link.state}: {link.text}"
    yield (
        f"            {link.frames} frames, {link.frames_lost} lost, {link.crc_failures} "
        f"CRC failures, {link.resent} resent, {link.reconnects} reconnects"
    )


def _reading(reading: Reading | None) -> Iterator[str]:
    from platelink.contract.unit import Reading

    for name in Reading.model_fields:
        label, suffix = named(name)
        if suffix.symbol:
            value = getattr(reading, name, None)
            yield f"{label:<12}{'-' if value is None else f'{value:g} {suffix.symbol}'}"
