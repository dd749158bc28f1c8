"""Of a plate's record: the depth to expect before the wash, and causes of what went wrong."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, journal_option, json_option, opened
from platelink.cli.group import Failure, Misuse
from platelink.cli.quantities import clean
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.contract.predicted import DepthFrom, DepthPredicted

_plate = click.argument("plate", shell_complete=complete.plates)
_POINTS = (
    Column("POINT", least=8), Column("LIMITS", right=True), Column("EXPECTED", right=True),
    Column("BETWEEN (95 %)", right=True), Column("MEASURED", right=True),
    Column("FROM PLATES", right=True, spare=1),
)  # fmt: skip
_CAUSES = (
    Column("CAUSE"), Column("PROBABILITY", right=True), Column("LOOK AT", least=20),
    Column("WHAT SPEAKS FOR IT", least=12, spare=1),
)  # fmt: skip


@click.command()
@_plate
@journal_option
@json_option
def predict(plate: str, journal: Path | None, as_json: bool) -> None:
    """Predict the depth of PLATE from its record, once its last exposure with contact is over.

    Says whether to go on, to measure, or to stop before wash. By the plates of the
    same recipe and screen that were measured before it; while these are few, it cannot tell."""
    found = _found(journal, plate, "")
    if as_json:
        emit(found)
        return
    click.echo(clean(f"plate {found.plate}: {found.verdict}. {found.text[:1].upper()}"
                     f"{found.text[1:]}."))  # fmt: skip
    rows = [
        [one.point, f"{one.limit_low_um:g} to {one.limit_high_um:g} µm", _um(one.depth_um),
         "" if one.low_um is None else f"{one.low_um:.1f} to {one.high_um:.1f} µm",
         _um(one.measured_um), str(one.learned_from)]
        for one in found.points
    ]  # fmt: skip
    print_table(_POINTS, rows)
    for one in found.points:
        click.echo(clean(f"{one.point}: {one.text}"))
    _print_record(found)


@click.command()
@_plate
@click.argument("symptom", required=False)
@journal_option
@json_option
def cause(plate: str, symptom: str | None, journal: Path | None, as_json: bool) -> None:
    """Rank causes of a PLATE that is not as predicted, by its record.

    SYMPTOM is what the press saw: prints too strong, prints too weak, soft edges, uneven over the
    plate, tacky surface. Probabilities say where to look first; nothing is proved by them."""
    found = _found(journal, plate, symptom or "")
    if as_json:
        emit(found)
        return
    if not found.causes:
        click.echo(clean(f"plate {found.plate}: {found.why_no_causes}"))
        click.echo(f"what the press saw can be named: {', '.join(found.symptoms)}")
        return
    rows = [
        [one.cause, f"{one.probability:.2f}", one.look, ", ".join(one.speaks)]
        for one in found.causes
    ]
    print_table(_CAUSES, rows)
    _print_record(found)


def _found(journal: Path | None, plate: str, symptom: str) -> DepthPredicted:
    from platelink.finding.causes import SYMPTOMS
    from platelink.finding.foretold import depth_foretold_in

    if symptom and symptom not in SYMPTOMS:
        raise Misuse(f"{symptom!r} is no symptom that is known; they are {', '.join(SYMPTOMS)}")
    with opened(journal) as (reader, _):
        found = depth_foretold_in(reader, find_run(reader, plate), symptom=symptom)
    if found.record is None:
        raise Failure(found.text)
    return found


def _um(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} µm"


def _print_record(found: DepthPredicted) -> None:
    of = found.record
    assert of is not None
    light = (
        "light not to be judged yet" if of.light_off_pct is None
        else f"light {of.light_off_pct:+.1f} % against its usual"
    )  # fmt: skip
    days = f"{of.days_open:.0f} day{'' if round(of.days_open) == 1 else 's'}"
    click.echo(clean(
        f"from its record: {of.step} {of.dose_mj_cm2:.1f} mJ/cm², {light}, vacuum lost "
        f"{of.contact_kpa:.1f} kPa, lot {of.lot or 'not named'} in use for {days}{_bath(of)}"
    ))  # fmt: skip
    if of.not_recorded:
        click.echo(f"not on record, so not counted: {', '.join(of.not_recorded)}")


def _bath(of: DepthFrom) -> str:
    if of.bath_days is None or of.bath_m2 is None:
        return ""
    return f", bath {of.bath_days:.1f} d and {of.bath_m2:.2f} m² old"
