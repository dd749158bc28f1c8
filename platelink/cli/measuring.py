"""Values of an inspection as people give them: named on the command line, or asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from platelink.cli.group import Misuse
from platelink.cli.quantities import clean
from platelink.recipe.quantities import DEPTH
from platelink.units import UnitError

Line = dict[str, Any]
YES_NO = {"yes": True, "y": True, "no": False, "n": False}


def named_values(points: Sequence[str], checks: Sequence[str], note: str | None) -> Line:
    """The values of ``--point "large area=24 um"`` and ``--check "dots=yes"``."""
    values: Line = {
        "points": {name: DEPTH.parse(text) for name, text in _pairs(points, "--point", "24 um")},
        "checks": {name: _yes(name, text) for name, text in _pairs(checks, "--check", "yes")},
    }
    return values | ({"note": note} if note else {})


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


def asked_values(wanted: Line) -> Line:
    """Every value of the step, asked for one by one; yes means that all is well."""
    points = {p["name"]: _asked_depth(p) for p in wanted["point"]}
    checks = {
        c["name"]: click.confirm(clean(f"{c['name']}: {c['question']}"), default=None)
        for c in wanted["check"]
    }
    note = click.prompt("note (or nothing)", default="", show_default=False)
    return {"points": points, "checks": checks} | ({"note": note} if note else {})


def _asked_depth(point: Line) -> float:
    where = f", {point['where']}" if point.get("where") else ""
    limits = f"{point['low_um']:g} to {point['high_um']:g} µm"
    depth: float = click.prompt(
        clean(f"{point['name']}{where}: depth in µm, {limits}"), value_proc=depth_um
    )
    return depth


def depth_um(text: str) -> float:
    """A depth typed where µm were asked for: a number, or a number with its unit."""
    try:
        return DEPTH.parse(f"{text} um" if _bare(text) else text)
    except UnitError as error:
        raise click.UsageError(str(error)) from None


def _bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
