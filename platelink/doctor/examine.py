"""All that a unit, or a recorder, needs: looked at in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from platelink.client import Client, ClientError
from platelink.config.load import ConfigError, load
from platelink.config.load import load_recorder as load_recorder_config
from platelink.config.model import Config, RecorderConfig
from platelink.config.services import SecretFileError
from platelink.contract.unit import Status
from platelink.daemon.calibrated import notices
from platelink.daemon.recorder_setup import recorder_broker, session_name, store_settings
from platelink.daemon.sealing import seal_places
from platelink.daemon.setup import broker_settings, socket_path
from platelink.doctor import findings as f
from platelink.doctor.alerts import alerts
from platelink.doctor.device import look_at_device
from platelink.doctor.findings import Finding, fault
from platelink.doctor.growth import growth, kept_samples
from platelink.doctor.instruments import look_at_instruments
from platelink.doctor.set_aside import set_aside
from platelink.doctor.shop import shop
from platelink.doctor.stamps import stamps
from platelink.doctor.upkeep import upkeep
from platelink.ledger.lock import held
from platelink.publish.recorder import client_id

ANSWER_S = 5.0


def examine(path: Path, *, recorder: bool, quick: bool) -> Iterator[Finding]:
    """All findings, the cause before what follows from it."""
    try:
        config: Config | RecorderConfig = load_recorder_config(path) if recorder else load(path)
    except ConfigError as error:
        yield from (Finding("config", "wrong", str(problem)) for problem in error.problems)
        yield Finding("config", "left out", "nothing else is checked until the file is right")
        yield f.clock()
        return
    yield Finding("config", "ok", str(path))
    if isinstance(config, Config):
        yield from _unit(config, quick)
    else:
        yield f.clock()
        yield from f.writable("recorder", config.recorder.path)
        yield f.disk(config.recorder.path)
        yield from set_aside(config.recorder.path)
    yield from _services(config)


def without_configuration(places: Iterable[Path]) -> Iterator[Finding]:
    """What can be said where none of these files is there."""
    yield Finding(
        "config",
        "wrong",
        f"no configuration found; looked for {' and '.join(map(str, places))}",
        "one file",
        "platelink config example > platelink.toml, then enter your own values",
    )
    yield f.clock()


def _unit(config: Config, quick: bool) -> Iterator[Finding]:
    for notice in notices(config, date.today()):  # noqa: DTZ011 -- a date due in the shop's own time zone
        calibrate = notice.overdue or notice.key == "calibration"
        advice = "platelink calibrate" if calibrate else ""
        yield Finding("config", "notice", f"{notice.key}: {notice.text}", advice=advice)
    status = daemon_status(config)
    yield from look_at_device(config, status)
    yield from look_at_instruments(config, status)
    path = config.journal.path
    found, newest = f.journal(path, daemon_runs=status is not None, quick=quick)
    yield f.clock(newest)
    yield from found
    yield f.seals(seal_places(config))
    yield from f.witnessed(seal_places(config))
    yield from stamps(config, status, datetime.now(UTC))
    yield f.people(config.people_path(), path)
    yield from shop(config, status)
    yield from upkeep(config.recipes_path(), path)
    yield from alerts(config)
    if status is None:
        yield from _written(config)
    yield f.disk(path)
    yield growth(path)
    yield from kept_samples(config)


def _written(config: Config) -> Iterator[Finding]:
    """Files that this user would write; where a daemon runs, they are its own."""
    journal = config.journal.path
    for subject, file in (
        ("journal", journal), ("recipes", config.recipes_path()), ("people", config.people_path()),
        ("calibrations", config.calibrations_path()), ("experiments", config.experiments_path()),
    ):  # fmt: skip
        if file.exists() or file.parent != journal.parent:
            yield from f.writable(subject, file)
    if config.broker is not None and config.store is not None:
        for finding in f.writable("recorder", config.recorder.path):
            yield replace(finding, health="notice", limit="writable, if the recorder runs here")


def daemon_status(config: Config) -> Status | None:
    """What the daemon of this configuration says; None where none answers."""
    try:
        with Client(socket_path(config), answer_s=ANSWER_S) as client:
            return client.status()
    except ClientError:
        return None


def _services(config: Config | RecorderConfig) -> Iterator[Finding]:
    yield _with_secret("broker", lambda: _broker(config))
    section = config.store
    yield _with_secret("store", lambda: f.store(section, store_settings(section)) if section else
                       f.store(None, None))  # fmt: skip


def _broker(config: Config | RecorderConfig) -> Finding:
    """A second program of the same user would take over the session of the one that runs. The
    recorder's session is left as it is: what waits in it is the recorder's."""
    if isinstance(config, Config):
        status = daemon_status(config)
        if status is not None and status.publisher is not None and status.publisher.connected:
            return Finding("broker", "ok", "the daemon is connected to it")
        return f.broker(broker_settings(config))
    path = config.recorder.path
    if held(path):
        return Finding("broker", "left out", "left to the recorder, which runs")
    name = session_name(path) if path.with_suffix(".name").exists() else None
    return f.broker(recorder_broker(config), client_id=client_id(name) if name else None)


def _with_secret(subject: str, look: Callable[[], Finding]) -> Finding:
    try:
        return look()
    except SecretFileError as error:
        return fault(subject, error)
