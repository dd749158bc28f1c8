"""What a command works on: the configuration, the journal and the units that were asked for."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli.group import Misuse
from platelink.cli.quantities import Display

if TYPE_CHECKING:
    from platelink.client import Client
    from platelink.config.model import Config
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord

PLACES = (Path("platelink.toml"), Path("/etc/platelink/platelink.toml"))
_F = TypeVar("_F", bound=Callable[..., Any])


def json_option(command: _F) -> _F:
    """``--json`` of every command that prints results."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON.")(command)


def journal_option(command: _F) -> _F:
    """``--journal`` of commands that only read a journal."""
    return click.option(
        "--journal",
        type=click.Path(path_type=Path, dir_okay=False),
        help="Read this journal; no configuration is needed.",
    )(command)


def emit(value: object) -> None:
    """Print as JSON; what is not a number is null."""
    click.echo(json.dumps(plain(value), ensure_ascii=False, allow_nan=False, indent=2))


def plain(value: Any) -> Any:
    """A JSON value, also of models and dataclasses, in which NaN and infinity are None."""
    if hasattr(value, "model_dump"):  # asked so, pydantic need not be imported to print a dict
        value = value.model_dump(mode="json")
    elif is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def asked_config(context: click.Context | None = None) -> Path | None:
    """The file given by --config or the environment, else the first that is there."""
    given = (context or click.get_current_context()).find_root().params.get("config")
    if given is not None:
        return Path(given)
    return next((place for place in PLACES if os.path.isfile(place)), None)


def config_path(context: click.Context | None = None) -> Path:
    """``asked_config``, or a failure that says how to write one."""
    path = asked_config(context)
    if path is None:
        raise Misuse(
            f"there is no configuration: looked for {' and '.join(map(str, PLACES))}; write one "
            "with 'platelink config example > platelink.toml', or name it: platelink --config FILE"
        )
    return path


def load_config(context: click.Context | None = None) -> Config:
    """The configuration of this invocation; ``ConfigError`` lists what is wrong with it."""
    from platelink.config.load import load

    return load(config_path(context))


@contextmanager
def opened(journal: Path | None) -> Iterator[tuple[JournalReader, Display]]:
    """The journal to read, given or of the configuration, and the units to show it in."""
    from platelink.record.reader import JournalReader

    if journal is None:
        config = load_config()
        path, display = config.journal.path, Display.of(config)
    else:
        path, display = journal, _display_if_any()
    with JournalReader.open(path) as reader:
        yield reader, display


@contextmanager
def service(*, signed_in: bool = True) -> Iterator[Client]:
    """A client of the unit's service, which is within this program where no daemon runs."""
    from platelink.cli.service import service_of

    with service_of(load_config(), signed_in=signed_in) as client:
        yield client


@contextmanager
def daemon() -> Iterator[Client]:
    """A client of the daemon that runs; ``NoService`` says how to start one."""
    from platelink.cli.service import client_at

    with client_at(load_config().socket_path()) as client:
        yield client


def _display_if_any() -> Display:
    path = asked_config()
    if path is None:
        return Display()
    from platelink.config.load import ConfigError, load, load_fleet

    try:
        return Display.of(load(path))
    except ConfigError:
        with suppress(ConfigError):  # a file for the fleet has no unit
            return Display.of(load_fleet(path))
        click.echo(
            f"{path} has problems, so default units are used; see: platelink config check",
            err=True,
        )
        return Display()


def find_run(reader: JournalReader, wanted: str, lists: str = "platelink runs") -> RunRecord:
    """The run of this id, of this beginning of an id, or the newest for ``last``. ``lists``: the
    command that shows which there are."""
    run = reader.run(wanted)
    if run is not None:
        return run
    if wanted == "last":
        newest = reader.runs(limit=1)
        if not newest:
            raise Misuse(
                f"none yet in {reader.path}; start a plate: platelink plate make RECIPE, or "
                "an exposure: platelink expose"
            )
        return newest[0]
    ids = reader.run_ids(wanted, limit=6)
    if not ids:
        raise Misuse(f"no run in {reader.path} begins with '{wanted}'; '{lists}' lists them")
    if len(ids) > 1:
        more = " and more" if len(ids) > 5 else ""
        raise Misuse(f"'{wanted}' matches {', '.join(ids[:5])}{more}; type more of it")
    run = reader.run(ids[0])
    assert run is not None
    return run
