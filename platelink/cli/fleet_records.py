"""The commands ``fleet keep``, ``fleet plates`` and ``fleet show``: copies of units' journals."""

from __future__ import annotations

import json
import signal
import threading
from datetime import UTC, datetime
from pathlib import Path
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
    name = session_name(folder / "keep", "[fleet] path")
    broker = keep_broker(config)
    worker = Keeper(KeepSettings(broker, folder, name))
    click.echo(f"copies from {broker.host}:{broker.port} into {folder}", err=True)

    def report(status: KeepStatus) -> None:
        at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        if as_json:
            click.echo(json.dumps({"at_utc": at_utc, **plain(status)}))
        else:
            click.echo(f"{at_utc}  " + "\n".join(map(clean, status.text().splitlines())))

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

    Below the list stands which entries have not come: plates may be among them. Exit code 1: what
    cannot be read is named, and the list lacks it."""
    from platelink.fleet.copies import units_of
    from platelink.fleet.opened import (
        Unread,
        hidden,
        journal_of,
        plates_of,
        unit_of,
        whole_of_all,
    )

    folder = _config().fleet.path
    units = [unit_of(folder, unit)] if unit else units_of(folder)
    unread: dict[Path, Unread] = {} if unit else {one.path: one for one in hidden(folder)}
    found, cut = [], []
    for one in units:
        runs = plates_of(folder, one, limit + 1, unread)
        cut += ["/".join(one)] if len(runs) > limit else []
        found += [(one, run) for run in runs[:limit]]
    found.sort(key=lambda pair: pair[1].start.at_utc, reverse=True)
    wholes = [whole for one in units for whole in whole_of_all(folder, one, unread)]
    if as_json:
        emit({
            "plates": [plain(run.summary) | {"unit": "/".join(one), "journal": journal_of(run)}
                       for one, run in found],
            "more": cut,
            "copies": [_whole(whole) for whole in wholes],
            "unread": [{"path": str(one.path), "why": one.why} for one in unread.values()],
        })  # fmt: skip
    else:
        whose = f"unit {unit}" if unit else "any unit"
        none = f"no plate of {whose} can be read in {folder}; see: platelink fleet keep"
        print_table(_PLATES, [_row(one, run) for one, run in found], none)
        if cut:
            click.echo(f"only the newest {limit} of {', '.join(cut)} are shown; raise --limit")
        click.echo()
        for whole in wholes:
            click.echo(clean(f"copy of journal {whole.journal}: {whole.text}"))
        for lost in unread.values():
            click.echo(clean(f"problem: plates in {lost.path} are not listed: {lost.why}"))
    if unread:
        click.get_current_context().exit(Failure.exit_code)


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


def _other(path: Path, run: RunRecord) -> str:
    name, begun = run.start.run_id, local(run.start.at_utc)
    return (
        f"another journal of this unit has a {name} too, begun {begun}: platelink show {name} "
        f"--journal {path}"
    )


@click.command()
@click.argument("unit")
@click.argument("run", metavar="PLATE")
@click.option("--no-plot", is_flag=True, help="Leave the plot out.")
@json_option
def show(unit: str, run: str, no_plot: bool, as_json: bool) -> None:
    """Show a plate of UNIT, or any run, from the copy of its journal; the unit may be off.

    UNIT is its name, or SITE/NAME; PLATE a plate's name, a run's id or its beginning, or 'last'.
    Where several journals of the unit have it, the one written last is shown, and the others are
    named."""
    from platelink.fleet.opened import (
        Unread,
        doubts_of,
        opened,
        others_of,
        seal_text,
        unit_of,
        whole_of,
    )
    from platelink.record.errors import JournalDamaged

    folder = _config().fleet.path
    whose = unit_of(folder, unit)
    tried: Misuse | None = None
    unread: dict[Path, Unread] = {}
    for reader in opened(folder, whose, unread):
        try:
            found = find_run(reader, run, lists="platelink fleet plates")
        except Misuse as error:
            tried = tried or error
            continue
        except JournalDamaged as error:
            unread[reader.path] = Unread(reader.path, str(error))
            continue
        doubts = doubts_of(reader, found)
        told = [f"copy of what {'/'.join(whose)} published: {whole_of(reader, whose).text}",
                *doubts, f"seal {seal_text(folder, whose)}",
                *(_other(*one) for one in others_of(folder, whose, found))]  # fmt: skip
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
    lost = "".join(f"; {one.path} cannot be read: {one.why}" for one in unread.values())
    if tried is None:
        raise Failure(f"no copy of {'/'.join(whose)} can be read in {folder}{lost}")
    raise Misuse(f"{tried}{lost}")
