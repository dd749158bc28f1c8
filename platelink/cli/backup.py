"""The commands ``backup``, ``restore`` and ``drill``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from platelink.cli.context import asked_config, config_path, emit, json_option

_FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command()
@click.argument("target", type=_FOLDER)
@click.option("--recorder", is_flag=True, help="Of a recorder, not of a unit.")
@json_option
def backup(target: Path, recorder: bool, as_json: bool) -> None:
    """Copy all files into the new directory TARGET, while they are in use: journal with its kept
    state, people, recipes, and the configuration; or those of a recorder. Keep it as secret as the
    files are, and not on the same disk."""
    from platelink.doctor.backup import backup as made

    found = made(config_path(), target, recorder=recorder, at_utc=datetime.now(UTC))
    if as_json:
        emit({"backup": str(target), "files": found})
        return
    for one in found:
        click.echo(f"{one.name:<16} {one.bytes / 1e6:.2f} MB, {sum(one.rows.values())} rows")
    click.echo(f"{target}: try it with platelink drill {target}")


@click.command()
@click.argument("source", type=_FOLDER)
@click.option("--to", type=_FOLDER, help="Put all files into this directory instead.")
@json_option
def restore(source: Path, to: Path | None, as_json: bool) -> None:
    """Restore the files of the backup SOURCE to where the configuration has them. Nothing that is
    there is overwritten. Everybody must sign in again; the journal continues under a new id."""
    from platelink.doctor.backup import restore as made

    done = made(source, asked_config(), to=to, at_utc=datetime.now(UTC))
    if as_json:
        emit({"restored": [{"name": one.name, "place": str(one.place)} for one in done]})
        return
    for one in done:
        click.echo(f"{one.name:<16} {one.place}")
    click.echo(
        "secrets in files of their own (password_file, key_file) are in no backup: put them back "
        "yourself. Restored by root, files belong to the user of their folder; where that is not "
        "the daemon's: sudo chown"
    )


@click.command()
@click.argument("source", type=_FOLDER)
@json_option
def drill(source: Path, as_json: bool) -> None:
    """Restore the backup SOURCE into an empty directory, open every file, compare, and leave
    nothing behind. Exit code 1 when anything is missing."""
    from platelink.doctor.backup import drill as made

    found = made(source, asked_config(), at_utc=datetime.now(UTC))
    if as_json:
        emit({"ok": not any(one.missing for one in found), "files": found})
    else:
        for one in found:
            wrong = f", {one.missing} MISSING" if one.missing else ""
            click.echo(f"{one.name:<16} opens, {one.rows} rows{wrong}")
    if any(one.missing for one in found):
        click.get_current_context().exit(1)
