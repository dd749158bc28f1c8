"""Values of an inspection as people give them: named on the command line, or asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import click
from pydantic import JsonValue

from platelink.cli.group import Misuse
from platelink.cli.plate_text import depth_limits
from platelink.cli.quantities import clean
from platelink.contract.texts import said
from platelink.recipe.quantities import DEPTH
from platelink.units import TEMPERATURE, Quantity, UnitError

if TYPE_CHECKING:
    from platelink.contract.plates import DepthPoint, InspectNow, StepNow

Values = dict[str, JsonValue]
YES_NO = {"yes": True, "y": True, "no": False, "n": False}


def named_values(points: Sequence[str], checks: Sequence[str], note: str | None) -> Values:
    """The values of ``--point "large area=31 um"`` and ``--check "dots=yes"``."""
    return _values(
        {name: DEPTH.parse(text) for name, text in _pairs(points, "--point", "31 um")},
        {name: _yes(name, text) for name, text in _pairs(checks, "--check", "yes")},
        note,
    )


def _values(points: Values, checks: Values, note: str | None) -> Values:
    return {"points": points, "checks": checks} | ({"note": note} if note else {})


def _pairs(given: Sequence[str], option: str, example: str) -> list[tuple[str, str]]:
    found = []
    for text in given:
        name, equals, value = text.rpartition("=")
        if not equals or not name.strip():
            raise Misuse(f'{option} {text!r}: write it as {option} "name={example}"')
        found.append((name.strip(), value.strip()))
    names = [name for name, _ in found]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise Misuse(f"{option}: {', '.join(sorted(twice))} is given twice")
    return found


def _yes(name: str, text: str) -> bool:
    if text.lower() not in YES_NO:
        raise Misuse(f"--check {name}: answer yes or no, not {text!r}")
    return YES_NO[text.lower()]


def water_value(text: str) -> Values:
    """The value of ``--water "24 degC"``."""
    return {"water_c": TEMPERATURE.parse(text)}


def prompted_values(now: StepNow) -> Values:
    """Every value that the step asks for, one by one."""
    if now.water is not None:
        text = f"temperature of the water in °C, {now.water.low_c:g} to {now.water.high_c:g} °C"
        water_c: float = click.prompt(text, value_proc=_typed_in(TEMPERATURE, "degC"))
        return {"water_c": water_c}
    return _prompted_findings(now.inspect) if now.inspect else {}


def _prompted_findings(step: InspectNow) -> Values:
    """Yes means that all is well."""
    points: Values = {point.name: _prompted_depth(point) for point in step.point}
    checks: Values = {
        check.name: click.confirm(clean(f"{check.name}: {said(check.question)}"), default=None)
        for check in step.check
    }
    note: str = click.prompt("note (or nothing)", default="", show_default=False)
    return _values(points, checks, note)


def _prompted_depth(point: DepthPoint) -> float:
    where = f", {said(point.where)}" if point.where else ""
    text = clean(f"{point.name}{where}: depth in µm, {depth_limits(point)}")
    depth: float = click.prompt(text, value_proc=depth_um)
    return depth


def _typed_in(quantity: Quantity, unit: str) -> Callable[[str], float]:
    """Reads what is typed where a unit was asked for: a number, or a number with its unit."""

    def read(text: str) -> float:
        try:
            return quantity.parse(f"{text} {unit}" if _bare(text) else text)
        except UnitError as error:
            raise click.UsageError(str(error)) from None

    return read


depth_um = _typed_in(DEPTH, "um")


def _bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
