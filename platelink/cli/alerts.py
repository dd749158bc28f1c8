"""The command ``alerts``: the process that tells people of alarms, and a test message."""

from __future__ import annotations

import signal
import threading

import click

from platelink.cli.context import emit, json_option, load_config
from platelink.cli.group import Failure, Lazy, LazyGroup


@click.group(
    cls=LazyGroup,
    lazy={"test": Lazy("alerts:test", "Send a person a test message by each of their ways.")},
    invoke_without_command=True,
)
@click.pass_context
def alerts(ctx: click.Context) -> None:
    """Tell people of alarms by e-mail, webhook and push, as [alerts] says; one process a unit.

    Ends in order on SIGTERM or Ctrl-C; what was not sent then is sent by the next start. An alert
    replaces no person at the unit, and no interlock."""
    if ctx.invoked_subcommand is None:
        _serve()


def _serve() -> None:
    from platelink.alerts.people import people_faults
    from platelink.alerts.process import AlertsProcess
    from platelink.alerts.sending import NOT_INSTALLED, installed
    from platelink.alerts.setup import section_of

    config = load_config()
    section = section_of(config)
    if not installed():
        raise Failure(f"messages cannot be sent: {NOT_INSTALLED}")
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    for name, text in people_faults(config, section):
        click.echo(f"{name} : {text}", err=True)
    process = AlertsProcess(config, lambda line: click.echo(line, err=True))
    people = ", ".join(person.name for person in section.person) or "nobody"
    click.echo(f"telling {people} of alarms of {config.unit.name}", err=True)
    try:
        process.run(stop)
    finally:
        process.close()


@click.command()
@click.option("--to", "person", required=True, help="Name of a person in [alerts].")
@json_option
def test(person: str, as_json: bool) -> None:
    """Send a test message to a person by each of their ways, and say what came of it.

    That a service took a message does not say that it arrived: ask the person. Exit code 1 when a
    way failed."""
    from platelink.alerts.trial import test_message

    tried = test_message(load_config(), person)
    if as_json:
        emit({"person": person, "ways": [one._asdict() for one in tried]})
    else:
        for one in tried:
            what = f"FAILED: {one.problem}" if one.problem else "taken; ask whether it arrived"
            click.echo(f"{one.way:<12} {one.took_s:5.1f} s  {what}")
    if any(one.problem for one in tried):
        click.get_current_context().exit(Failure.exit_code)
