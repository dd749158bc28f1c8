"""The command ``plate``: make one of a recipe, see where it is, and every act on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

import click

from platelink.cli import complete
from platelink.cli.context import daemon, emit, json_option, load_config, service
from platelink.cli.filters import filter_options, in_order
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local, print_table
from platelink.cli.typed_secret import terminal
from platelink.contract.words import EndState

if TYPE_CHECKING:
    from platelink.client import Client, ClientError
    from platelink.contract.plates import NewPlate, PlaceOnBed, PlateBrief, PlateListed, PlateNow

STATES = ("in flight", *get_args(EndState))
_PLATES = (
    Column("PLATE"),
    Column("STATE"),
    Column("STEP", least=8),
    Column("RECIPE", least=8, spare=1),
    Column("LOT", least=5, spare=3),
    Column("VERDICT", least=6, spare=2),
    Column("ALARMS", least=6, spare=6),
    Column("JOB", least=6, spare=7),
    Column("BY", least=6, spare=8),
    Column("BEGUN", spare=4),
    Column("TOOK", right=True, spare=5),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "make": Lazy("plate:make", "Start a plate from a recipe."),
        "follow": Lazy("follow:follow", "Guide you through a plate, one key per act."),
        "list": Lazy("plate:list_", "List plates in progress and on record."),
        "show": Lazy("plate:show", "Show where a plate is and what to do next, or its record."),
        "begin": Lazy("acts:begin", "Begin the step that is ready."),
        "done": Lazy("acts:done", "Confirm that the present stage or hand work is done."),
        "measure": Lazy("acts:measure", "Record inspection results, or the water temperature."),
        "hold": Lazy("acts:hold", "Put the present step on hold; lamps off, the rest is kept."),
        "restart": Lazy("acts:restart", "Continue a step on hold."),
        "stop": Lazy("acts:stop", "End the plate, incomplete."),
        "abort": Lazy("acts:abort", "End the plate at once: something is wrong."),
        "skip": Lazy("acts:skip", "Skip the present step, with a reason."),
        "note": Lazy("plate_after:note", "Add a note to a plate that has ended."),
        "correct": Lazy("plate_after:correct", "Correct depth, lot, job or verdict afterwards."),
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
@click.option(
    "--film", help="Code of the artwork film it is made from.", shell_complete=complete.films,
)  # fmt: skip
@click.option(
    "--accept", multiple=True, metavar="FINDING",
    help="Continue all the same with this, such as 'no lot'; it goes on record. Repeatable.",
)  # fmt: skip
@click.option(
    "--place", metavar="X,Y", help="Its corner on the bed in cm, as in the experiment in evenness.",
)  # fmt: skip
@click.option("--size", metavar="WxH", help="Its width and height in cm, with --place.")
@click.option("--accept-why", default="", help="The reason, where one is owed.")
@json_option
def make(
    recipe: str, *, area: str | None, name: str | None, accept: tuple[str, ...], as_json: bool,
    place: str | None, size: str | None, **texts: Any,
) -> None:  # fmt: skip
    """Start a plate from RECIPE: plate-a is its approved revision, plate-a@2 that one.

    This switches nothing on. The lot's area, the film's and the screens' uses are counted now. A
    lot that is missing, foreign, past its date or used up is shown first; made all the same, it is
    recorded as a deviation, with the reason where one is owed."""
    from platelink.cli.stock import area_cm2, print_findings
    from platelink.client import ClientError, request
    from platelink.contract.plates import NewPlate

    area_given = None if area is None else area_cm2(area)
    wanted = request(
        NewPlate, recipe=recipe, plate=name, area_cm2=area_given, accept=accept,
        place=_place(place, size), **texts,
    )  # fmt: skip
    with daemon() as client:
        try:
            made = client.make_plate(wanted)
        except ClientError as told:
            made = client.make_plate(_accepted(wanted, told))
        now = client.plate(made.plate).now
    if as_json:
        emit(made)
        return
    click.echo(clean(f"plate {made.plate} of {made.revision} has been started"))
    print_findings(made.findings)
    for notice in made.notices:
        click.echo(clean(f"notice  {notice}"))
    if now is not None:
        print_now(now, Display.of(load_config()))
    click.echo(clean(f"work through it: platelink plate follow {made.plate}"))


def _place(place: str | None, size: str | None) -> PlaceOnBed | None:
    from platelink.client import request
    from platelink.contract.plates import PlaceOnBed

    if place is None and size is None:
        return None
    try:
        x, y = (float(one) for one in (place or "").split(","))
        width, height = (float(one) for one in (size or "").split("x"))
    except ValueError:
        raise Misuse("a place needs both, such as --place 12,5 --size 20x15, in cm") from None
    return request(PlaceOnBed, x_cm=x, y_cm=y, width_cm=width, height_cm=height)


def _accepted(wanted: NewPlate, told: ClientError) -> NewPlate:
    """The same plate with what was told accepted, by a person at a terminal; else a failure."""
    if not told.asks:
        raise told
    lines = "\n".join(map(clean, str(told).splitlines()))
    if not terminal():
        names = " ".join(f'--accept "{name}"' for name in told.asks)
        why = ' --accept-why "the reason"' if told.asks_why else ""
        raise Misuse(f"{lines}\nto continue all the same, on record: {clean(names)}{why}")
    click.echo(lines, err=True)
    if not click.confirm("make it all the same; it goes on record", err=True):
        raise Failure("not made")
    more: dict[str, Any] = {"accept": (*wanted.accept, *told.asks)}
    if told.asks_why:
        more["accept_why"] = click.prompt("why", err=True)
    return wanted.model_copy(update=more)


@click.command("list")
@filter_options
@click.option("--search", help="Only plates with this text in name, job, lot or note.")
@click.option("--state", type=click.Choice(STATES), help="Only plates in this state.")
@click.option(
    "--limit", type=click.IntRange(1, 1000), default=50, show_default=True,
    help="Most to list.",
)  # fmt: skip
@json_option
def list_(as_json: bool, **wanted: Any) -> None:
    """List plates in flight, then those on record, newest first. Lot, job and verdict are as they
    were corrected, where they were."""
    from platelink.client import request
    from platelink.contract.plates import PlatesQuery

    in_order(wanted["since"], wanted["until"])
    given = {key: value for key, value in wanted.items() if value is not None}
    with service() as client:
        found = client.plates(request(PlatesQuery, **given))
    if as_json:
        emit(found)
        return
    rows = [*map(_row_in_flight, found.in_flight), *map(_row_on_record, found.on_record)]
    filtered = wanted["search"] or wanted["state"]
    none = "none found; drop a filter" if filtered else "none yet"
    print_table(_PLATES, rows, f"{none}; start one: platelink plate make RECIPE")
    if any(plate.state == "open" for plate in found.on_record):
        click.echo("\nopen: not ended; the daemon continues it once it runs: platelink serve")


def _row_in_flight(plate: PlateNow) -> list[str]:
    number = "" if plate.step is None else f"{plate.step + 1}/{len(plate.steps)} "
    step = f"{number}{plate.now.name}, {plate.now.state}"
    return [
        plate.plate, "in flight", step, plate.recipe, plate.lot or "", "", "", plate.job or "",
        plate.by, "", "",
    ]  # fmt: skip


def _row_on_record(plate: PlateListed) -> list[str]:
    from platelink.cli.plate_text import clock
    from platelink.cli.runs import verdict_of

    return [
        plate.plate, plate.state, "", plate.recipe or "", plate.lot or "",
        verdict_of(plate, plate.data), ", ".join(plate.alarms), plate.job or "",
        plate.operator or "", local(plate.begun_utc, seconds=False), clock(plate.took_s),
    ]  # fmt: skip


@click.command()
@click.argument("plate", required=False, shell_complete=complete.plates)
@json_option
def show(plate: str | None, as_json: bool) -> None:
    """Show a PLATE in progress: its steps, where it is, what to do now and which acts are possible.
    For one that has ended: its full record."""
    with service() as client:
        plates = in_flight(client)
        found = None if plate is None and not plates else _match(plates, plate)
        if as_json:
            emit(client.plate(found.plate if found else _named(plate)))
            return
        depth = client.depth(found.plate) if found else None
    if found is None:
        from platelink.cli.show import show_run

        show_run(_named(plate))
        return
    print_plate(found, Display.of(load_config()))
    if depth is not None:
        from platelink.cli.plate_story import depth_lines

        for line in depth_lines(depth):
            click.echo(f"depth  {line}")


def _named(plate: str | None) -> str:
    if plate is None:
        raise Misuse("no plate is in progress; name one that has ended: platelink plate list")
    return plate


def in_flight(client: Client) -> list[PlateNow]:
    """Plates in progress, whole, oldest first."""
    from platelink.contract.plates import PlatesQuery

    return client.plates(PlatesQuery(state="in flight")).in_flight


def _match(plates: list[PlateNow], name: str | None) -> PlateNow | None:
    """The plate of this name or beginning, or the only one; None when none has the name."""
    found = [plate for plate in plates if name is None or plate.plate.startswith(name)]
    exact = [plate for plate in found if plate.plate == name]
    if len(exact or found) > 1:
        raise Misuse(f"say which plate: {', '.join(plate.plate for plate in found)}")
    return next(iter(exact or found), None)


def chosen(client: Client, name: str | None) -> PlateNow:
    """The plate in progress of this name; ``Misuse`` says which there are."""
    plates = in_flight(client)
    plate = _match(plates, name)
    if plate is None:
        there = (
            ", ".join(one.plate for one in plates) or "none; start one: platelink plate make RECIPE"
        )
        which = "no plate" if name is None else f"plate {name} is not"
        raise Misuse(f"{which} in progress; in progress: {there}")
    return plate


def print_plate(plate: PlateNow, display: Display) -> None:
    """Everything about a plate in progress."""
    from platelink.cli.plate_text import KINDS, head

    click.echo(head(plate))
    facts = {
        "job": plate.job,
        "lot": plate.lot,
        "film": plate.film,
        "by": plate.by,
        "note": plate.note,
    }
    click.echo(clean("  " + "   ".join(f"{name} {text}" for name, text in facts.items() if text)))
    rows = [
        [str(number), step.name, KINDS.get(step.kind, step.kind), step.state]
        for number, step in enumerate(plate.steps, 1)
    ]
    print_table((Column("", right=True), Column("STEP"), Column("KIND"), Column("STATE")), rows)
    for text in plate.deviations_told:
        click.echo(clean(f"deviation  {text}"))
    click.echo()
    print_now(plate, display)


def print_now(plate: PlateBrief, display: Display) -> None:
    """The present step: where it is, what to do, which acts are possible."""
    from platelink.cli.plate_text import progress, step_title, to_do

    click.echo(f"{step_title(plate)}: {progress(plate, display)}")
    for text in to_do(plate.now):
        click.echo(f"  {text}")
    if plate.now.acts:
        click.echo(f"  acts now: {', '.join(plate.now.acts)}  (platelink plate ACT)")
