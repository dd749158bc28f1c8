"""The command ``config``: check the configuration, show what is in force, write an example."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import config_path, emit, json_option
from platelink.cli.group import Failure, Lazy, LazyGroup

if TYPE_CHECKING:
    from platelink.config.model import Config, Notice
    from platelink.forms.keys import Section
    from platelink.forms.problems import Problem

_file = click.argument(
    "file", required=False, type=click.Path(path_type=Path, dir_okay=False), default=None
)
_recorder = click.option(
    "--recorder", is_flag=True, help="Only the part that 'platelink recorder' reads."
)


@click.group(
    cls=LazyGroup,
    lazy={
        "check": Lazy("config:check", "List every problem in the file."),
        "show": Lazy("config:show", "Show every setting in force; defaults are marked."),
        "example": Lazy("config:example", "Print a file with every key explained."),
    },
)
def config() -> None:
    """Check or show the configuration file, which platelink itself never writes."""


@click.command()
@_file
@_recorder
@json_option
def check(file: Path | None, recorder: bool, as_json: bool) -> None:
    """List every problem in the configuration, and what needs attention.

    FILE is checked instead of the configuration in use. Exit code 1 when something is wrong."""
    from platelink.config.load import ConfigError, load, load_recorder

    path = file or config_path()
    problems: tuple[Problem, ...] = ()
    notices: tuple[Notice, ...] = ()
    try:
        if recorder:
            load_recorder(path)
        else:
            from platelink.daemon.calibrated import notices as all_notices

            config = load(path)
            problems = tuple(_people(path, config))
            notices = all_notices(config, today())
    except ConfigError as error:
        problems = error.problems
    if as_json:
        emit(
            {
                "file": str(path),
                "ok": not problems,
                "problems": [
                    {"key": p.key, "value": p.value, "text": p.text, "file": p.file}
                    for p in problems
                ],
                "notices": [
                    {"key": n.key, "text": n.text, "overdue": n.overdue is not None}
                    for n in notices
                ],
            }
        )
    else:
        for problem in problems:
            click.echo(f"problem  {problem}")
        for notice in notices:
            click.echo(f"notice   {path}: {notice.key} : {notice.text}")
        click.echo(f"{path}: {len(problems)} problems, {len(notices)} notices")
        again = "correct the file, then: platelink config check" if problems else "platelink doctor"
        click.echo(f"next: {again}")
    if problems:
        click.get_current_context().exit(Failure.exit_code)


def _people(path: Path, config: Config) -> Iterator[Problem]:
    """What [alerts] says of people who are not there."""
    if config.alerts is None:
        return
    from platelink.alerts.people import people_faults
    from platelink.forms.problems import Problem

    for name, text in people_faults(config, config.alerts):
        yield Problem(str(path), name, None, text)


@click.command()
@_file
@_recorder
@json_option
def show(file: Path | None, recorder: bool, as_json: bool) -> None:
    """Show every setting in force as TOML; defaults are marked, passwords are hidden.

    FILE is shown instead of the configuration in use."""
    from platelink.config.load import load, load_recorder
    from platelink.config.model import effective
    from platelink.config.show import show as text_of

    path = file or config_path()
    loaded = load_recorder(path) if recorder else load(path)
    if as_json:
        emit(
            {
                "file": str(path),
                "settings": effective(loaded),
                "defaults": list(_defaults(loaded)),
            }
        )
    else:
        click.echo(f"# {path}\n{text_of(loaded)}", nl=False)


@click.command()
def example() -> None:
    """Print a complete configuration file with every key explained, to start from.

    platelink config example > platelink.toml"""
    from platelink.config.show import example as text

    click.echo(text(), nl=False)


def today() -> date:
    """A calibration is due on a day of this computer's time zone."""
    return datetime.now().astimezone().date()


def _defaults(section: Section, path: str = "") -> Iterator[str]:
    """Paths of the keys that the file leaves at their defaults."""
    from platelink.forms.keys import Section

    for name in type(section).model_fields:
        value, key = getattr(section, name), f"{path}{name}"
        if isinstance(value, Section):
            yield from _defaults(value, f"{key}.")
        elif isinstance(value, tuple) and value and isinstance(value[0], Section):
            for i, one in enumerate(value):
                yield from _defaults(one, f"{key}[{i}].")
        elif value is not None and name not in section.model_fields_set:
            yield key
