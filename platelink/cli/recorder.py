"""The command ``recorder``: the recorder's process, from the configuration to its end."""

from __future__ import annotations

import json
import signal
import threading
from datetime import UTC, datetime

import click

from platelink.cli.context import config_path, plain
from platelink.config.load import load_recorder
from platelink.daemon.recorder_setup import recorder_settings
from platelink.publish.recorder import Recorder, RecorderStatus


@click.command()
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.1),
    default=10.0,
    show_default=True,
    help="Seconds between two lines of status.",
)
@click.option("--json", "as_json", is_flag=True, help="Status as one JSON object a line.")
def recorder(every_s: float, as_json: bool) -> None:
    """Run the recorder: receive from the broker, write into the store, lose nothing.

    Ends in order on SIGTERM or Ctrl-C; what the store has not surely kept is sent again by the next
    start."""
    settings = recorder_settings(load_recorder(config_path()))
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    worker = Recorder(settings)
    click.echo(
        f"recording from {settings.broker.host}:{settings.broker.port} into {settings.store.url}, "
        f"by way of {settings.journal_path}",
        err=True,
    )
    try:
        worker.run(stop, lambda status: _report(status, as_json), report_every_s=every_s)
    finally:
        worker.close()


def _report(status: RecorderStatus, as_json: bool) -> None:
    at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    if as_json:
        click.echo(json.dumps({"at_utc": at_utc, **plain(status)}))
    else:
        click.echo(f"{at_utc}  {status.text()}")
