"""The command ``recorder``: the recorder's process, from the configuration to its end."""

from __future__ import annotations

import json
import secrets
import signal
import threading
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from platelink.cli.context import config_path, plain
from platelink.cli.group import Failure
from platelink.config import RecorderConfig, load_recorder
from platelink.config.services import StoreSection
from platelink.daemon.setup import broker_settings
from platelink.publish.recorder import Recorder, RecorderSettings, RecorderStatus
from platelink.publish.store import StoreSettings
from platelink.publish.upload import UploadSettings


def store_settings(store: StoreSection) -> StoreSettings:
    """The store as the recorder takes it. ``SecretFileError`` when a secret cannot be read."""
    by_token = store.token is not None or store.token_file is not None
    return StoreSettings(
        url=store.url,
        token=store.secret() if by_token else None,
        username=store.username,
        password=None if by_token else store.secret(),
        org=store.org,
        bucket=store.bucket,
        ca_file=str(store.ca_file) if store.ca_file else None,
    )


def recorder_settings(config: RecorderConfig) -> RecorderSettings:
    """The recorder of a configuration."""
    broker = broker_settings(config)
    assert broker is not None  # the section is required there
    part = config.recorder
    return RecorderSettings(
        broker=broker,
        store=store_settings(config.store),
        journal_path=part.path,
        name=session_name(part.path),
        group=part.group,
        upload=UploadSettings(hold_s=part.hold_s, confirm=config.store.confirm),
    )


def session_name(journal: Path) -> str:
    """Name of this recorder's session with the broker: chosen once and kept beside its journal, so
    that what the broker holds for it is found again, and no two recorders take one session."""
    file = journal.with_suffix(".name")
    try:
        if not file.exists():
            file.write_text(secrets.token_hex(6) + "\n", encoding="ascii")
        name = file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise Failure(
            f"{file} cannot be read or written ({error}); give this user the right to write in "
            f"{journal.parent}, or set recorder.path"
        ) from error
    if not name:
        raise Failure(f"{file} is empty; remove it, and a new name is chosen")
    return name


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
        click.echo(json.dumps({"at_utc": at_utc, **plain(asdict(status))}))
    else:
        click.echo(f"{at_utc}  {status.text()}")
