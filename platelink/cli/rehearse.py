"""The command ``rehearse``: a simulated unit with daemon and page, to practise on."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import click

from platelink.cli.group import Failure


@click.command()
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Directory for its files; left out: platelink/rehearsal in your data directory.",
)
@click.option("--fresh", is_flag=True, help="Start over: delete the files of earlier rehearsals.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8460,
    show_default=True,
    help="Port of the page on this computer; a free one is taken if it is in use.",
)
@click.option(
    "--speed", type=click.FloatRange(1.0, 20.0), default=1.0, hidden=True,
    help="Pace of unit and daemon, times real time.",
)  # fmt: skip
def rehearse(keep: Path | None, fresh: bool, port: int, speed: float) -> None:
    """Practise on a simulated unit: daemon and page in real time, with people, recipe and stock.

    No hardware is touched and no light is made. Ctrl-C ends everything; the files stay for the next
    rehearsal. On a real unit keep lids and interlocks as the maker built them; UV light injures
    skin and eyes."""
    from platelink.simulated.rehearsal import TROUBLES, RehearsalError, place, rehearsal

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        with rehearsal(place(keep), fresh=fresh, port=port, say=click.echo, speed=speed) as unit:
            for line in sys.stdin:
                trouble = TROUBLES.get(line.strip())
                if trouble is not None:
                    unit.order(**trouble.order)
                    click.echo(f"  {trouble.text}")
                elif line.strip():
                    click.echo(f"  not known; type one of: {', '.join(TROUBLES)}")
            signal.pause()
    except RehearsalError as error:
        raise Failure(str(error)) from None
    except KeyboardInterrupt:
        click.echo("the rehearsal has ended")
