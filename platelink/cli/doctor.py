"""The command ``doctor``: looks at everything a unit needs, and says what to do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from platelink.cli import findings as f
from platelink.cli.config import today
from platelink.cli.context import PLACES, asked_config, emit, json_option
from platelink.cli.device import look_at_device
from platelink.cli.findings import Finding, told
from platelink.cli.group import Failure
from platelink.cli.recorder import store_settings
from platelink.client import Client, ClientError
from platelink.config import Config, ConfigError, RecorderConfig, SecretFileError, load
from platelink.config import load_recorder as load_recorder_config
from platelink.daemon.setup import broker_settings, socket_path

ANSWER_S = 5.0
_MARKS = {"ok": "ok", "notice": "notice", "wrong": "WRONG", "unknown": "unknown"}


@click.command()
@click.option("--recorder", is_flag=True, help="This machine runs only the recorder.")
@click.option("--quick", is_flag=True, help="Do not read the whole journal.")
@json_option
def doctor(recorder: bool, quick: bool, as_json: bool) -> None:
    """Look at port, device, clock, journal, disk, broker and store, and say what to do.

    Where no daemon runs the port is opened for a few seconds to hear the device. Exit code 1 when
    something is wrong."""
    found: list[Finding] = []
    for finding in examine(asked_config(), recorder=recorder, quick=quick):
        found.append(finding)
        if not as_json:
            click.echo(text_of(finding))
    wrong = sum(finding.health == "wrong" for finding in found)
    if as_json:
        emit({"ok": not wrong, "findings": [asdict(finding) for finding in found]})
    else:
        click.echo(f"wrong: {wrong} of {len(found)}" if wrong else "nothing is wrong")
    if wrong:
        click.get_current_context().exit(Failure.exit_code)


def text_of(finding: Finding) -> str:
    """A finding as one line, and what to do below it."""
    lines = [f"{_MARKS.get(finding.health, '-'):<8} {finding.subject:<10} {finding.measured}"]
    if finding.limit and finding.health != "ok":
        lines.append(f"{'':<19} limit: {finding.limit}")
    if finding.advice:
        lines.append(f"{'':<19} do: {finding.advice}")
    return "\n".join(lines)


def examine(path: Path | None, *, recorder: bool, quick: bool) -> Iterator[Finding]:
    """All findings, the cause before what follows from it."""
    if path is None:
        yield Finding(
            "config",
            "wrong",
            f"there is no configuration; looked for {' and '.join(map(str, PLACES))}",
            "one file",
            "platelink config example > platelink.toml, then enter your own values",
        )
        yield f.clock()
        return
    try:
        config: Config | RecorderConfig = load_recorder_config(path) if recorder else load(path)
    except ConfigError as error:
        yield from (Finding("config", "wrong", str(problem)) for problem in error.problems)
        yield Finding("config", "left out", "nothing else is looked at until the file is right")
        yield f.clock()
        return
    yield Finding("config", "ok", str(path))
    if isinstance(config, Config):
        yield from _unit(config, quick)
    else:
        yield f.clock()
        yield f.disk(config.recorder.path)
    yield from _services(config)


def _unit(config: Config, quick: bool) -> Iterator[Finding]:
    for notice in config.notices(today()):
        advice = "calibrate" if notice.overdue else ""
        yield Finding("config", "notice", f"{notice.key}: {notice.text}", advice=advice)
    status = daemon_status(config)
    yield from look_at_device(config, status)
    path = config.journal.path
    found, newest = f.journal(path, daemon_runs=status is not None, quick=quick)
    yield f.clock(newest)
    yield from found
    yield f.disk(path)


def daemon_status(config: Config) -> dict[str, Any] | None:
    """What the daemon of this configuration says; None where none answers."""
    try:
        with Client(socket_path(config), answer_s=ANSWER_S) as client:
            return client.status()
    except ClientError:
        return None


def _services(config: Config | RecorderConfig) -> Iterator[Finding]:
    yield _with_secret("broker", lambda: f.broker(broker_settings(config)))
    section = config.store
    yield _with_secret("store", lambda: f.store(section, store_settings(section)) if section else
                       f.store(None, None))  # fmt: skip


def _with_secret(subject: str, look: Callable[[], Finding]) -> Finding:
    try:
        return look()
    except SecretFileError as error:
        return told(subject, error)
