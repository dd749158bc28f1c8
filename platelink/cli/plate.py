"""The command ``plate``: make one of a recipe, see where it is, and every act on it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli import complete
from platelink.cli.context import daemon, emit, json_option, load_config, service
from platelink.cli.group import Lazy, LazyGroup, Misuse
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local, table, terminal_width

if TYPE_CHECKING:
    from platelink.client import Client

Line = dict[str, Any]
_F = TypeVar("_F", bound=Callable[..., Any])
STATES = ("in flight", "complete", "stopped", "aborted", "interrupted")
_PLATES = (
    Column("PLATE"),
    Column("STATE"),
    Column("STEP", least=8),
    Column("RECIPE", least=8, spare=1),
    Column("VERDICT", least=6, spare=2),
    Column("JOB", least=6, spare=4),
    Column("BY", least=6, spare=5),
    Column("BEGUN", spare=3),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "make": Lazy("plate:make", "Take up a plate of a recipe."),
        "follow": Lazy("follow:follow", "Be led through a plate, one key an act."),
        "list": Lazy("plate:list_", "List plates in flight and on record."),
        "show": Lazy("plate:show", "Show where a plate is and what to do, or its story."),
        "begin": Lazy("acts:begin", "Begin the step that is ready."),
        "done": Lazy("acts:done", "Confirm the present stage or prompt."),
        "measure": Lazy("acts:measure", "Give the values of the inspection."),
        "hold": Lazy("acts:hold", "Hold the present step; light off, the rest kept."),
        "restart": Lazy("acts:restart", "Go on with a step that is held."),
        "stop": Lazy("acts:stop", "End the plate in order, incomplete."),
        "abort": Lazy("acts:abort", "End the plate at once; something is wrong."),
        "skip": Lazy("acts:skip", "Leave the present step out, with the reason."),
    },
)
def plate() -> None:
    """Plates: made step by step as a recipe says, recorded as they were made.

    PLATE is a plate's name or the beginning of it; it may be left out where one plate alone is in
    flight. UV light and heat injure: no command replaces the unit's own interlock or emergency
    stop."""


@click.command()
@click.argument("recipe", shell_complete=complete.recipes)
@click.option("--lot", help="Lot of plate stock it is cut from.", shell_complete=complete.lots)
@click.option("--area", metavar="AREA", help="Area taken off the lot, such as '600 cm2'.")
@click.option("--job", help="Job it is for.")
@click.option("--plate", "name", help="Its name; one is given to it without.")
@click.option("--note", help="Anything to remember.")
@json_option
def make(recipe: str, area: str | None, name: str | None, as_json: bool, **texts: Any) -> None:
    """Take up a plate of RECIPE: plate-a is its approved revision, plate-a@2 that one.

    Nothing is switched by it. The lot's area and the screens' uses are counted now."""
    from platelink.cli.shelf import area_cm2, say_findings

    body = {"recipe": recipe, "plate": name, **texts}
    body["area_cm2"] = None if area is None else area_cm2(area)
    with daemon() as client:
        made = client.make_plate(**body)
        now = client.plate(made["plate"])["now"]
    if as_json:
        emit(made)
        return
    click.echo(clean(f"plate {made['plate']} of {made['revision']} is made"))
    say_findings(made["findings"])
    for notice in made["notices"]:
        click.echo(clean(f"notice  {notice}"))
    if now is not None:
        say_now(now, Display.of(load_config()))
    click.echo(clean(f"be led through it: platelink plate follow {made['plate']}"))


@click.command("list")
@click.option("--search", help="Only plates in whose texts this is found.")
@click.option("--state", type=click.Choice(STATES), help="Only plates in this state.")
@click.option(
    "--limit", type=click.IntRange(1, 1000), default=50, show_default=True,
    help="At most so many on record.",
)  # fmt: skip
@json_option
def list_(as_json: bool, **wanted: Any) -> None:
    """List plates in flight, then those on record, newest first."""
    with service() as client:
        found = client.plates(**wanted)
    if as_json:
        emit(found)
        return
    rows = [*map(_flying, found["in_flight"]), *map(_recorded, found["on_record"])]
    if not rows:
        click.echo("no such plate; make one with: platelink plate make RECIPE")
        return
    cells = [[clean(cell) for cell in row] for row in rows]
    click.echo(table(_PLATES, cells, terminal_width()))
    if any(line["state"] == "open" for line in found["on_record"]):
        click.echo("\nopen: not ended; the daemon goes on with it when it runs: platelink serve")


def _flying(line: Line) -> list[str]:
    now = line["now"]
    step = f"{line['step'] + 1}/{len(line['steps'])} {now['name']}, {now['state']}"
    return [line["plate"], "in flight", step, line["recipe"], "", line["job"] or "", line["by"], ""]


def _recorded(line: Line) -> list[str]:
    data, begun = line["data"], datetime.fromisoformat(line["begun_utc"])
    verdict = data.get("judgement") or ""
    return [
        line["plate"], line["state"], "", str(line["request"].get("revision") or ""),
        " ".join([verdict, *data.get("defects", [])]), line["job"] or "", line["operator"] or "",
        local(begun, seconds=False),
    ]  # fmt: skip


@click.command()
@click.argument("plate", required=False, shell_complete=complete.plates)
@json_option
def show(plate: str | None, as_json: bool) -> None:
    """Show a PLATE in flight: its steps, where it is, what to do now and which acts are possible.
    Of one that has ended: its story."""
    with service() as client:
        flying = in_flight(client)
        line = None if plate is None and not flying else _meant(flying, plate)
        if as_json:
            emit(client.plate(line["plate"] if line else _named(plate)))
            return
    if line is None:
        from platelink.cli.show import show_run

        show_run(_named(plate))
        return
    say_plate(line, Display.of(load_config()))


def _named(plate: str | None) -> str:
    if plate is None:
        raise Misuse("no plate is in flight; name one that has ended: platelink plate list")
    return plate


def in_flight(client: Client) -> list[Line]:
    """Plates in flight, whole, oldest first."""
    return list(client.plates(state="in flight")["in_flight"])


def _meant(flying: list[Line], name: str | None) -> Line | None:
    """The plate of this name or beginning, or the only one; None when none has the name."""
    found = [line for line in flying if name is None or line["plate"].startswith(name)]
    exact = [line for line in found if line["plate"] == name]
    if len(exact or found) > 1:
        names = ", ".join(line["plate"] for line in found)
        raise Misuse(f"say which plate: {names}")
    return next(iter(exact or found), None)


def chosen(client: Client, name: str | None) -> Line:
    """The plate in flight that is meant; ``Misuse`` says which there are."""
    flying = in_flight(client)
    line = _meant(flying, name)
    if line is None:
        there = ", ".join(one["plate"] for one in flying) or "none; platelink plate make RECIPE"
        which = "no plate" if name is None else f"plate {name} is not"
        raise Misuse(f"{which} in flight; in flight: {there}")
    return line


def say_plate(line: Line, display: Display) -> None:
    """Everything about a plate in flight."""
    from platelink.cli.plate_text import KINDS, head

    click.echo(head(line))
    facts = {"job": line["job"], "lot": line["lot"], "by": line["by"], "note": line["note"]}
    click.echo(clean("  " + "   ".join(f"{name} {text}" for name, text in facts.items() if text)))
    rows = [
        [str(i + 1), step["name"], KINDS.get(step["kind"], step["kind"]), step["state"]]
        for i, step in enumerate(line["steps"])
    ]
    heads = (Column("", right=True), Column("STEP"), Column("KIND"), Column("STATE"))
    click.echo(table(heads, [[clean(cell) for cell in row] for row in rows], terminal_width()))
    for text in line["deviations_told"]:
        click.echo(clean(f"deviation  {text}"))
    click.echo()
    say_now(line, display)


def say_now(line: Line, display: Display) -> None:
    """The present step: where it is, what to do, which acts are possible."""
    from platelink.cli.plate_text import progress, step_title, to_do

    click.echo(f"{step_title(line)}: {progress(line, display)}")
    for text in to_do(line["now"]):
        click.echo(f"  {text}")
    if line["now"]["acts"]:
        click.echo(f"  acts now: {', '.join(line['now']['acts'])}  (platelink plate ACT)")
