"""The commands ``fleet keep``, ``fleet plates`` and ``fleet show``: copies of units' journals."""

from __future__ import annotations

import json
import signal
import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from platelink.cli.context import config_path, emit, find_run, json_option, plain
from platelink.cli.group import Failure, Misuse
from platelink.cli.quantities import clean
from platelink.cli.runs import verdict_of
from platelink.cli.show import show_run, wrapped
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.config.model import FleetConfig
    from platelink.fleet.keep import KeepStatus
    from platelink.fleet.opened import Whole
    from platelink.publish.teller import Unit
    from platelink.record.stored import RunRecord

_PLATES = (
    Column("UNIT"), Column("PLATE"), Column("BEGUN", spare=1), Column("STATE"),
    Column("RESULT", least=8), Column("JOB", least=6, spare=3),
    Column("OPERATOR", least=6, spare=4),
)  # fmt: skip


def _config() -> FleetConfig:
    from platelink.config.load import load_fleet

    return load_fleet(config_path())


@click.command()
@click.option(
    "--every", "every_s", type=click.FloatRange(min=0.1), default=10.0, show_default=True,
    help="Seconds between two lines of status.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Status as one JSON object a line.")
def keep(every_s: float, as_json: bool) -> None:
    """Keep a copy of each unit's journal, so that any plate can be opened while its unit is off.

    Ends in order on SIGTERM or Ctrl-C; what came meanwhile is taken by the next start."""
    from platelink.daemon.recorder_setup import session_name
    from platelink.fleet.keep import Keeper, KeepSettings
    from platelink.fleet.setup import keep_broker

    config = _config()
    folder = config.fleet.path
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise Failure(f"{folder} cannot be made ({error.strerror}); set [fleet] path") from None
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    name = session_name(folder / "keep")
    broker = keep_broker(config)
    worker = Keeper(KeepSettings(broker, folder, name))
    click.echo(f"copies from {broker.host}:{broker.port} into {folder}", err=True)

    def report(status: KeepStatus) -> None:
        at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        if as_json:
            click.echo(json.dumps({"at_utc": at_utc, **plain(status)}))
        else:
            click.echo(f"{at_utc}  {clean(status.text())}")

    try:
        worker.run(stop, report, report_every_s=every_s)
    finally:
        worker.close()


@click.command()
@click.argument("unit", required=False)
@click.option(
    "--limit", type=click.IntRange(min=1), default=50, show_default=True,
    help="Most of each unit.",
)  # fmt: skip
@json_option
def plates(unit: str | None, limit: int, as_json: bool) -> None:
    """List plates of all units, or of UNIT, from the copies; newest first.

    Below the list stands which entries have not come: plates may be among them."""
    from platelink.fleet.copies import units_of
    from platelink.fleet.opened import plates_of, unit_of, whole_of_all

    folder = _config().fleet.path
    units = [unit_of(folder, unit)] if unit else units_of(folder)
    found = [(one, run) for one in units for run in plates_of(folder, one, limit)]
    found.sort(key=lambda pair: pair[1].start.at_utc, reverse=True)
    wholes = [whole for one in units for whole in whole_of_all(folder, one)]
    if as_json:
        emit({
            "plates": [plain(run.summary) | {"unit": "/".join(one)} for one, run in found],
            "copies": [_whole(whole) for whole in wholes],
        })  # fmt: skip
        return
    rows = [_row(one, run) for one, run in found]
    print_table(_PLATES, rows, f"no plate of any unit is in {folder}; see: platelink fleet keep")
    click.echo()
    for whole in wholes:
        click.echo(clean(f"copy of journal {whole.journal}: {whole.text}"))


def _whole(whole: Whole) -> dict[str, object]:
    return {
        "unit": "/".join(whole.unit), "journal": whole.journal, "path": str(whole.path),
        "entries": whole.entries, "newest": whole.newest,
        "newest_utc": whole.newest_utc and whole.newest_utc.isoformat(timespec="milliseconds"),
        "missing": whole.missing,
    }  # fmt: skip


def _row(unit: Unit, run: RunRecord) -> list[str]:
    told = run.summary
    return [
        "/".join(unit), told.run_id, local(told.begun_utc), told.state,
        verdict_of(told, run.end.data) if run.end else "", told.job or "", told.operator or "",
    ]  # fmt: skip


@click.command()
@click.argument("unit")
@click.argument("run", metavar="PLATE")
@click.option("--no-plot", is_flag=True, help="Leave the plot out.")
@json_option
def show(unit: str, run: str, no_plot: bool, as_json: bool) -> None:
    """Show a plate of UNIT, or any run, from the copy of its journal; the unit may be off.

    UNIT is its name, or SITE/NAME; PLATE a plate's name, a run's id or its beginning, or 'last'."""
    from platelink.fleet.opened import doubts_of, opened, seal_text, unit_of, whole_of
    from platelink.record.errors import JournalDamaged

    folder = _config().fleet.path
    whose = unit_of(folder, unit)
    tried: Misuse | None = None
    for reader in opened(folder, whose):
        try:
            found = find_run(reader, run)
        except Misuse as error:
            tried = tried or error
            continue
        doubts = doubts_of(reader, found)
        told = [f"copy of what {'/'.join(whose)} published: {whole_of(reader, whose).text}",
                *doubts, f"seal {seal_text(folder, whose)}"]  # fmt: skip
        if as_json:
            click.echo("\n".join(told), err=True)
        else:
            click.echo("COPY\n" + "\n".join(wrapped(line) for line in told) + "\n")
        try:
            show_run(found.start.run_id, no_plot=no_plot, journal=reader.path, as_json=as_json)
        except JournalDamaged as error:
            why = "; ".join(doubts) or str(error)
            raise Failure(f"the samples of {found.start.run_id} cannot be shown: {why}") from None
        return
    raise tried or Misuse(f"no copy of {'/'.join(whose)} can be read in {folder}")
