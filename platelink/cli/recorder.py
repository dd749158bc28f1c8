"""The command ``recorder``: the recorder's process, from the configuration to its end."""

from __future__ import annotations

import json
import signal
import threading
import time
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime

import click

from platelink.cli.context import config_path, plain
from platelink.cli.group import Failure
from platelink.config.load import load_recorder
from platelink.daemon.recorder_setup import recorder_settings
from platelink.publish.figures import of_recorder, problems_of
from platelink.publish.recorder import Recorder, RecorderSettings, RecorderStatus
from platelink.serving.certificates import of_certificates, read
from platelink.serving.figures import text_of
from platelink.serving.watched import Watched

LOOK_S = 2.0
"""How old figures and health are at most, while it works."""


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
    told = Told(worker, settings, every_s, as_json)
    try:
        with _watched(settings.watch, told):
            worker.run(stop, told.take, report_every_s=min(every_s, LOOK_S))
        told.line()
    finally:
        worker.close()


class Told:
    """The newest status, for lines and for whoever asks at the port."""

    def __init__(
        self, worker: Recorder, settings: RecorderSettings, every_s: float, as_json: bool
    ) -> None:
        self._worker, self._settings = worker, settings
        self._every_s, self._as_json = every_s, as_json
        self._status = worker.status()
        self._line_at = self._told_at = time.monotonic()

    def take(self, status: RecorderStatus) -> None:
        """A status; a line of it where one is due."""
        self._status, self._told_at = status, time.monotonic()
        if self._told_at >= self._line_at + self._every_s:
            self._line_at = self._told_at
            self.line()

    def line(self) -> None:
        """The newest status as a line."""
        _report(self._status, self._as_json)

    def figures(self) -> str:
        """As scrapers read them."""
        age_s = time.monotonic() - self._told_at
        told = of_recorder(self._status, self._worker.heard, self._settings.name, age_s)
        broker, store = self._settings.broker, self._settings.store
        files = (broker.ca_file, broker.certificate_file, store.ca_file)
        return text_of([*told, of_certificates(read(*files))])

    def problems(self) -> list[str]:
        """Of its health."""
        return problems_of(self._status, time.monotonic() - self._told_at)


def _watched(place: tuple[str, int] | None, told: Told) -> AbstractContextManager[object]:
    if place is None:
        return nullcontext()
    try:
        return Watched(*place, told.figures, told.problems)
    except OSError as error:
        raise Failure(
            f"recorder.watch: {place[0]}:{place[1]} cannot be listened on ({error.strerror}); name "
            "another port"
        ) from None


def _report(status: RecorderStatus, as_json: bool) -> None:
    at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    if as_json:
        click.echo(json.dumps({"at_utc": at_utc, **plain(status)}))
    else:
        click.echo(f"{at_utc}  {status.text()}")
