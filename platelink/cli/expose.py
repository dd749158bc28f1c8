"""Commands on one exposure: ``expose``, and ``hold``, ``restart``, ``stop``, ``abort``.

``expose`` talks to the daemon of its configuration; where none runs it starts one for as long as
the exposure lasts.
"""

from __future__ import annotations

import contextlib
import json
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import daemon, load_config
from platelink.contract.words import Command

if TYPE_CHECKING:
    from platelink.client import Client
    from platelink.config.model import Config
    from platelink.contract.unit import EndedLine, ExposureJob, LiveLine

WHEN_HELD = "continue with `platelink restart` in another terminal, or end it with Ctrl-C"


@click.command()
@click.argument("unit", required=False, default="")
@click.option("--dose", required=True, help="Target dose with its unit, such as 340 mJ/cm2.")
@click.option("--step", default="film", show_default=True, help="Step of the plate.")
@click.option("--operator", help="Who makes the exposure.")
@click.option("--plate", help="Plate it is for.")
@click.option("--job", help="Job it is for.")
@click.option("--note", help="Anything to remember.")
@click.option("--contact/--no-contact", default=True, help="Wait for contact vacuum (default).")
@click.option("--max-light", "max_light_s", type=float, help="Longest time of light, seconds.")
@click.option("--accept-overdue", is_flag=True, help="Continue with overdue calibrations.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def expose(unit: str, dose: str, as_json: bool, **options: Any) -> None:
    """Make one exposure that ends at its dose.

    The dose and its UNIT may stand apart (--dose 340 mJ/cm2) or in quotes together.

    UV light injures skin and eyes: lid closed, nobody looks at lit lamps. Ctrl-C ends the
    exposure. In danger use the unit's own emergency stop.
    """
    from platelink.cli.printing import LinePrinter
    from platelink.client.waiting import wait_for_link
    from platelink.daemon.background import client_of_daemon

    config = load_config()
    given = {name: value for name, value in options.items() if value is not None}
    job = _checked(config, {"dose": f"{dose} {unit}".strip(), **given})
    with client_of_daemon(config) as client:
        wait_for_link(client)
        with _interruptible(client.socket):
            end = follow(client, job, LinePrinter(as_json=as_json, when_held=WHEN_HELD))
    if as_json:
        click.echo(json.dumps(end.model_dump(mode="json")))
    else:
        click.echo(f"{end.state}: {end.reason}   (run {end.ended})")
    if end.state != "complete":
        click.get_current_context().exit(1)


def _checked(config: Config, given: dict[str, Any]) -> ExposureJob:
    """The job; what is wrong with it is said before anything is started."""
    from platelink.client import ClientError, request
    from platelink.contract.unit import ExposureJob
    from platelink.daemon.setup import make_job

    try:
        job = request(ExposureJob, **given)
        make_job(config, job)
    except (ValueError, ClientError) as error:
        raise click.UsageError(str(error)) from None
    return job


def follow(client: Client, job: ExposureJob, take: Callable[[LiveLine], None]) -> EndedLine:
    """Ask for an exposure and pass every line on until its run ends; the ending line."""
    from platelink.contract.unit import EndedLine

    with client.live() as lines:
        run_id = client.expose(job)
        for line in lines:
            take(line)
            if isinstance(line, EndedLine) and line.ended == run_id:
                return line
    raise click.ClickException(
        "the daemon ended before the exposure did; see `platelink show last`"
    )


@contextlib.contextmanager
def _interruptible(path: Path) -> Iterator[None]:
    """Ctrl-C asks the daemon to stop the light; its end is then waited for as usual."""
    from platelink.cli.service import client_at
    from platelink.client import ClientError

    def stop(*_: object) -> None:
        with contextlib.suppress(ClientError), client_at(path) as client:
            client.command(Command.STOP, "stopped at the keyboard")

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _command(act: Command, about: str) -> click.Command:
    @click.command(str(act), help=about)
    @click.option("--reason", default="", help="Why, for the record.")
    @click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
    def command(reason: str, as_json: bool) -> None:
        with daemon() as client:
            answer = client.command(act, reason)
        click.echo(json.dumps(answer.model_dump(mode="json")) if as_json else f"{act}: asked")

    return command


hold = _command(Command.HOLD, "Lamps off; the remaining dose is kept.")
restart = _command(Command.RESTART, "Give the remaining dose of an exposure on hold.")
stop = _command(Command.STOP, "End the exposure; the plate stays incomplete.")
abort = _command(Command.ABORT, "End the exposure at once: something is wrong.")
