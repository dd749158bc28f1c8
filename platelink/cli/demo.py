"""The command ``demo``: the main job on a simulated unit, and its audit as text."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import click

from platelink.cli.printing import LinePrinter
from platelink.events.event import EventName
from platelink.simulated.audit import Audit, RunAudit
from platelink.simulated.demo import demonstration

QUIET_HERE = frozenset(
    {
        EventName.DEVICE_STARTED, EventName.ASKED, EventName.STAGE_PROMPT,
        EventName.STAGE_STARTED, EventName.STAGES_ENDED, EventName.LINK_UP,
        EventName.PLATE_MADE, EventName.LEARNED,
    }
)  # fmt: skip
"""Events that the story does without."""


@click.command()
@click.option("--keep", type=click.Path(path_type=Path), help="Directory for the demo's files.")
@click.option("--headless", is_flag=True, help="The story in text only; it ends by itself.")
@click.option("--json", "as_json", is_flag=True, help="The result as JSON.")
def demo(keep: Path | None, headless: bool, as_json: bool) -> None:
    """Make a whole plate on a simulated unit: a leak and an oven door left ajar on the way.

    No hardware is touched and no light is made: the unit is simulated, faster than real time.
    On a real unit keep lids and interlocks as the maker built them; UV light injures skin and eyes.
    """
    by_itself, printer = headless or as_json, LinePrinter(as_json=as_json, quiet=QUIET_HERE)
    with demonstration(
        keep,
        page=not by_itself,
        say=lambda text: None if as_json else click.echo(text),
        on_line=printer,
    ) as found:
        click.echo(json.dumps(found.to_json()) if as_json else audit_text(found))
        if not by_itself:
            stay()
    if not found.good:
        raise click.ClickException("the demonstration did not go as it should; see above")


def audit_text(found: Audit) -> str:
    """The audit view."""
    lines = [
        "\nafterwards, from the journal",
        f"  {'run':<22}{'step':<11}{'state':<10}{'target':>8}{'recorded':>10}{'again':>9}"
        f"{'true':>9}  mJ/cm²",
        *map(_run_text, found.runs),
        "  (again: recomputed from the stored sums; true: what the simulated lamps gave)",
        f"  {found.plate['plate']}: {found.plate['state']}, {found.plate['judgement']}",
        *(f"    not as the recipe says: {text}" for text in found.plate["deviations"]),
    ]
    store = found.store
    if store is not None:
        lines.append(
            f"  store: {store.in_store} of {store.points} points of the dose are there, "
            f"{store.same} the same to twelve digits"
        )
    lines += [f"  left out: {text}" for text in found.left_out]
    program = "platelink" if shutil.which("platelink") else f"{sys.executable} -m platelink"
    config = found.directory / "platelink.toml"
    lines.append(f"\nlook further:  {program} --config {config} show {found.plate['plate']}")
    return "\n".join(lines)


def _run_text(run: RunAudit) -> str:
    head = f"  {run.run:<22}{run.step:<11}{run.state:<10}"
    if run.target_mj_cm2 is None:
        what = f"{run.in_band_s:.0f} s in band, air mean {run.mean_c:.1f} °C"
    else:
        what = (
            f"{run.target_mj_cm2:>8.1f}{run.recorded_mj_cm2:>10.2f}"
            f"{run.reintegrated_mj_cm2:>9.2f}{run.true_mj_cm2:>9.2f}"
        )
    return f"{head}{what}  {run.samples} samples, {run.events} events"


def stay() -> None:
    """Where somebody sits before it, the unit and its page stay until they have seen enough."""
    if sys.stdin.isatty():
        click.pause("\nthe unit and its page stay up; press a key to end them")
