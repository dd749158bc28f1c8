"""A person led through one calibration: live counts, readings taken when they have settled.

At a terminal single keys do it; elsewhere lines of the input do, one a line: ``dark``, what the
reference shows such as ``11.8 mW/cm2``, ``leave NUMBER REASON``, ``finish``.
"""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from platelink.cli.group import Failure
from platelink.cli.quantities import clean
from platelink.client.errors import ClientError, NoService

if TYPE_CHECKING:
    from datetime import date

    from platelink.cli.keyboard import Keyboard
    from platelink.client import Client
    from platelink.contract.calibrations import (
        AtCalibration,
        Calibration,
        CalibrationWhole,
        CountsNow,
    )

PAUSE_S = 0.3
"""Between two looks at the counts."""
LONGEST_S = 900.0
"""So long counts are waited for."""
CAUTIONS = {
    "light": (
        "UV light injures eyes and skin: never look into a lit unit, keep lid, curtains and",
        "interlock as the maker built them, wear UV-rated protection, let lamps cool before you",
        "touch them. Reach inside only with the lamps off; mains parts are for an electrician.",
    ),
    "vacuum": ("Keep fingers and tools off blanket and hose while the frame is evacuated.",),
    "oven": (
        "The oven and what comes out of it burn; lead the reference's probe in cold, keep its",
        "cable off heaters and door edge, and leave mains parts to an electrician.",
    ),
    "head": (
        "The head sits beside lamps: warm it with the lamps off, and never look into a lit unit.",
    ),
}  # fmt: skip
FIRST = {
    "light": "Read the dark first: cover the sensor. Then lamps on, by the unit's own timer or by\n"
    "'platelink expose --no-contact' in another terminal; when they are warm, several levels,\n"
    "dimmed by a mesh or by distance, sensor and meter at the same place.",
    "vacuum": "Read levels from the vented frame to the deepest vacuum; the reference at the same "
    "hose.\nA gauge against the air: kPa below it; an absolute one: absolute pressure.",
    "oven": "Read levels from cold to the hottest bake; the reference's probe beside the sensor.",
    "head": "Read levels over the temperatures the head reaches; the probe on its case.",
}  # fmt: skip
KEYS = "d dark   l level   o leave one out   f finish   q leave (you can continue later)"


def lead(client: Client, name: str, due_on: date) -> bool:
    """Until it is finished (True) or left."""
    kind = name.partition(" ")[0].partition("@")[0]
    for line in CAUTIONS[kind]:
        click.echo(f"  ! {line}")
    click.echo(FIRST[kind])
    if sys.stdin.isatty() and sys.stdout.isatty():
        from platelink.cli.keyboard import Keyboard

        click.echo(f"keys:  {KEYS}")
        with Keyboard() as keys:
            return _by_keys(client, name, due_on, keys)
    return _by_lines(client, name, due_on)


def _by_lines(client: Client, name: str, due_on: date) -> bool:
    for line in sys.stdin:
        words = line.strip().split(maxsplit=2)
        if not words or words[0].startswith("#"):
            continue
        if words[0] == "finish":
            return _did(client, name, _finish(due_on))
        if words[0] == "leave":
            if len(words) < 3 or not words[1].isdigit():
                raise Failure("leave: write the level's number and why, as 'leave 3 slipped'")
            _did(client, name, _leave_out(int(words[1]), words[2]))
            continue
        _wait(client, name.rpartition("@")[0])
        _did(client, name, _dark() if words[0] == "dark" else _level(line.strip()))
    return False


def _by_keys(client: Client, name: str, due_on: date, keys: Keyboard) -> bool:
    sensor = name.rpartition("@")[0]
    while True:
        try:
            keys.print_status(counts_text(client.counts(sensor)))
        except ClientError as error:
            if isinstance(error, NoService):
                raise
            keys.print_status(str(error))
        key = keys.key(PAUSE_S)
        if key == "q":
            return False
        if key is None or key not in "dlof":
            continue
        act = None
        with keys.lines():
            if key == "d":
                act = _dark()
            elif key == "l":
                shown = click.prompt(
                    "  the reference shows (with its unit; empty: none)", "", show_default=False
                )
                act = _level(shown) if shown else None
            elif key == "o":
                number = click.prompt("  number of the level", type=int)
                act = _leave_out(number, click.prompt("  why"))
            elif key == "f":
                act = _finish(due_on)
        if act is not None and _tried(client, name, act, keys) and key == "f":
            return True


def _tried(client: Client, name: str, act: AtCalibration, keys: Keyboard) -> bool:
    try:
        keys.clear()
        return _did(client, name, act)
    except ClientError as error:
        if isinstance(error, NoService):
            raise
        keys.print_line(clean_lines(str(error)))
        return False


def _wait(client: Client, sensor: str) -> None:
    """Until the counts have settled."""
    until = time.monotonic() + LONGEST_S
    while not (now := client.counts(sensor)).settled:
        if time.monotonic() > until:
            raise Failure(f"{sensor}: {now.text}; no reading taken")
        time.sleep(PAUSE_S)


def _did(client: Client, name: str, act: AtCalibration) -> bool:
    client.at_calibration(name, act)
    whole = client.calibration(name)
    last = whole.history[-1].act
    if last == "level":
        level = whole.level[-1]
        click.echo(
            f"  level {level.number}: {level.reference:g} {whole.unit} at "
            f"{level.counts.mean:.2f} counts (rms {level.counts.rms:.2f})"
        )
    elif last == "dark" and whole.dark is not None:
        click.echo(f"  dark: {whole.dark.mean:.2f} counts (rms {whole.dark.rms:.2f})")
    elif last == "left out":
        click.echo(f"  left out; levels in use: {whole.levels}")
    else:
        print_found(whole)
    return True


def print_found(whole: CalibrationWhole) -> None:
    """The line, what each level misses it by, and what it is worth."""
    line, unit = whole.line, whole.unit
    if line is None:
        return
    per = f"{unit} per count" if whole.sensor.startswith("light") else f"{unit} per {unit}"
    click.echo(f"  {whole.name}: {line.gain:.6g} {per} ± {2.0 * line.u_gain:.2g}")
    if not whole.sensor.startswith("light"):
        click.echo(f"  offset {line.offset:+.4g} {unit} ± {2.0 * line.u_offset:.2g}")
    for level in whole.level:
        miss = "" if level.residual is None else f"   off the line {level.residual:+.3g} {unit}"
        out = f"   left out: {clean(level.left_out)}" if level.left_out is not None else ""
        click.echo(f"  level {level.number}: {level.reference:g} {unit}{miss}{out}")
    share = f" ({whole.u / whole.top:.1%})" if whole.u and whole.top else ""
    click.echo(f"  scatter {line.residual_sd:.3g} {unit}, bow {line.bow:.2g} {unit}")
    click.echo(f"  U (k = 2) {whole.u:.3g} {unit}{share} at {whole.top:.4g}; due {whole.due_on}")
    if whole.asks:
        click.echo(clean_lines(f"  look: {whole.asks}"))


def counts_text(now: CountsNow) -> str:
    """Live counts in one line."""
    if now.counts is None:
        return f"{now.sensor}: {now.text}"
    value = "" if now.value is None else f"   reads {now.value:.4g} {now.unit} now"
    counts = now.counts
    return f"{counts.mean:8.2f} counts  rms {counts.rms:.2f}{value}   {now.text}"


def clean_lines(text: str) -> str:
    """Lines without characters that could command a terminal."""
    return "\n".join(map(clean, text.split("\n")))


def shown(one: Calibration) -> list[str]:
    """One calibration as a row of the table."""
    u = "" if one.u is None or one.top is None else (
        f"{one.u / one.top:.1%}" if one.sensor.startswith("light") else f"{one.u:.2g} {one.unit}"
    )  # fmt: skip
    state = "in force" if one.in_force else one.stage
    if one.in_force and one.days_left is not None and one.days_left < 0:
        state = "past due"
    gain = "" if one.gain is None else f"{one.gain:.5g}"
    made = (one.finished_utc or one.begun_utc)[:10]
    certificate = str(one.reference.get("certificate", ""))
    return [one.name, state, one.cause, made, one.due_on or "", gain, u, certificate]


def _dark() -> AtCalibration:
    from platelink.contract.calibrations import DarkTaken

    return DarkTaken()


def _level(reference: str) -> AtCalibration:
    from platelink.client import request
    from platelink.contract.calibrations import LevelTaken

    return request(LevelTaken, reference=reference)


def _leave_out(number: int, why: str) -> AtCalibration:
    from platelink.client import request
    from platelink.contract.calibrations import LevelLeftOut

    return request(LevelLeftOut, level=number, why=why)


def _finish(due_on: date) -> AtCalibration:
    from platelink.client import request
    from platelink.contract.calibrations import CalibrationFinished

    return request(CalibrationFinished, due_on=due_on.isoformat())
