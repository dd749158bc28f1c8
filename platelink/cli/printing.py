"""Lines of a unit as text or JSON: events as they come, on a terminal the status in one line."""

from __future__ import annotations

import json
import sys

import click

from platelink.cli.leading import NOT_RECORDED
from platelink.contract.uncertainty import LEAST_DOUBT_MJ_CM2
from platelink.contract.unit import EventLine, LiveLine, Status, StatusLine, UnitEvent
from platelink.control.alarm.states import AlarmState
from platelink.control.procedure.table import Move
from platelink.events.event import EventName, for_people, read
from platelink.events.steps import StepMoved
from platelink.events.unit import AlarmMoved
from platelink.units import DOSE, IRRADIANCE

QUIET = frozenset(
    {
        EventName.STATE, EventName.WAITING, EventName.ORDER_ARMED, EventName.LAMP_OPENED,
        EventName.LAMP_CLOSED, EventName.LATCH_RESET, EventName.OUTPUT_EXPIRED,
    }
)  # fmt: skip
"""Events that others say better; the record has them all."""


class LinePrinter:
    """Prints each line it is called with. ``quiet``: more events that are left out; ``when_held``:
    what to print after an exposure was held."""

    def __init__(
        self, *, as_json: bool, quiet: frozenset[str] = frozenset(), when_held: str = ""
    ) -> None:
        self._json = as_json
        self._when_held = when_held
        self._quiet = QUIET | quiet
        self._terminal = sys.stdout.isatty() and not as_json
        self._status_shown = False

    def __call__(self, line: LiveLine) -> None:
        """Print one line."""
        if isinstance(line, StatusLine):
            if self._terminal:
                click.echo(f"\r\x1b[K{progress(line.status)}", nl=False)
                self._status_shown = True
        elif self._json:
            click.echo(json.dumps(line.model_dump(mode="json")))
        else:
            self._clear()
            if isinstance(line, EventLine) and not self._left_out(line.event):
                self._event(line.event)
                if line.unrecorded:
                    click.echo(NOT_RECORDED)

    def problem(self, text: str) -> None:
        """Print what is wrong, on standard error."""
        self._clear()
        click.echo(text, err=True)

    def _event(self, event: UnitEvent) -> None:
        click.echo(f"  {event.at_utc[11:19]}  {for_people(event.name):<16} {event.text}".rstrip())
        if event.name == EventName.HELD and self._when_held:
            click.echo(f"  {self._when_held}")

    def _left_out(self, event: UnitEvent) -> bool:
        """Recorded, but of no use to a person who watches."""
        alarm = read(AlarmMoved, event.name, event.data)
        if alarm is not None and AlarmState.SUPPRESSED in (alarm.from_, alarm.to):
            return True
        step = read(StepMoved, event.name, event.data)
        return (step is not None and step.move == Move.TURN) or event.name in self._quiet

    def _clear(self) -> None:
        if self._status_shown:
            click.echo("\r\x1b[K", nl=False)
            self._status_shown = False


def progress(status: Status) -> str:
    """The exposure of a status in one line, else the state of the link."""
    exposure, reading = status.exposure, status.reading
    if exposure is None:
        return f"link {status.link.state}"
    vacuum_kpa = reading.vacuum_kpa if reading else None
    given = DOSE.format(exposure.dose_mj_cm2, "mJ/cm2", 1).partition(" ")[0]
    doubt = exposure.uncertain_mj_cm2 or 0.0
    parts = [
        exposure.state if exposure.step == "none" else f"{exposure.state}, {exposure.step}",
        f"{given} of {DOSE.format(exposure.target_dose_mj_cm2, 'mJ/cm2', 0)}",
        f"up to {doubt:.1f} more may have been given" if doubt >= LEAST_DOUBT_MJ_CM2 else "",
        IRRADIANCE.format(exposure.irradiance_mw_cm2, "mW/cm2", 2),
        "" if vacuum_kpa is None else f"{vacuum_kpa:z.1f} kPa vacuum",
        "" if exposure.remaining_s is None else f"{exposure.remaining_s:.0f} s to go",
        "waits for " + ", ".join(exposure.waiting_for) if exposure.waiting_for else "",
    ]
    return "   ".join(part for part in parts if part)
