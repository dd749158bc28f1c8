"""The commands ``import`` and ``imported``, and how a command finds the record of another unit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, find_run, json_option, load_config, opened
from platelink.cli.group import Failure, Misuse
from platelink.cli.quantities import Display
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.evidence.imported import Imported, ImportedStore
    from platelink.evidence.keys import Verifier
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord

_COLUMNS = (
    Column("RECORD"), Column("KIND"), Column("SITE", least=6, spare=2), Column("SEALED (UTC)"),
    Column("IMPORTED (UTC)", spare=1), Column("UNDER KEY", least=8, spare=3),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Found:
    """A run to be read, and whose it is."""

    reader: JournalReader
    display: Display
    run: RunRecord
    imported: Imported | None
    """None of the own ones."""
    store: ImportedStore | None
    """Where an imported one lies."""

    @property
    def whose(self) -> str:
        """That it is not this unit's, in a sentence; empty of the own ones."""
        one = self.imported
        if one is None:
            return ""
        return (
            f"of unit {one.unit} ({one.site}), not of this one: imported {one.imported_utc}, "
            f"verified again now under key {one.vkey}; what was noted or corrected after its end "
            "is in its report"
        )


@contextmanager
def found_run(journal: Path | None, wanted: str) -> Iterator[Found]:
    """The run to be read: this unit's, else one imported from another, which whoever shows it says
    (``Found.whose``)."""
    from platelink.evidence.beside import imported_path

    with opened(journal) as (reader, display):
        store = imported_path(reader.path)
        try:
            run = find_run(reader, wanted)
        except Misuse:
            with _imported_run(store, wanted, display) as found:
                if found is not None:
                    yield found
                    return
            raise
        for one, _ in _matches(store, run.start.run_id):
            click.echo(f"another of that name was imported: {one.called}", err=True)
        yield Found(reader, display, run, None, None)


def _matches(store: Path, wanted: str) -> list[tuple[Imported, str]]:
    if not store.exists():
        return []
    from platelink.evidence.imported import ImportedStore
    from platelink.ledger.errors import StoreError

    try:
        with ImportedStore.open(store, read_only=True) as kept:
            return kept.find(wanted)
    except StoreError as error:  # the own record is read nevertheless
        click.echo(str(error), err=True)
        return []


def imported_of(store: ImportedStore, wanted: str) -> tuple[Imported, str] | None:
    """The one record, and its run, that is meant; None where there is none."""
    found = store.find(wanted)
    if len(found) > 1:
        names = ", ".join(f"{one.site}/{one.unit}/{run_id}" for one, run_id in found[:5])
        raise Misuse(f"'{wanted}' was imported from several units: {names}; type one of these")
    return found[0] if found else None


@contextmanager
def _imported_run(path: Path, wanted: str, display: Display) -> Iterator[Found | None]:
    if not path.exists():
        yield None
        return
    from platelink.evidence.imported import ImportedStore

    with ImportedStore.open(path, read_only=True) as store:
        meant = imported_of(store, wanted)
        if meant is None:
            yield None
            return
        one, run_id = meant
        with store.opened(one) as reader:
            run = reader.run(run_id)
            assert run is not None  # the store's list of runs is made of the record
            yield Found(reader, display, run, one, store)


def key_of(given: str) -> Verifier:
    """A key from elsewhere: a line NAME+ID+KEY, or a file with that line."""
    from platelink.evidence.keys import Verifier

    path = Path(given)
    try:
        line = path.read_text("utf-8") if path.is_file() else given
    except (OSError, UnicodeDecodeError) as error:
        raise Misuse(f"{path} cannot be read as a key ({error})") from None
    return Verifier.of_text(line.strip())


@click.command("import")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option(
    "--key", "keys", metavar="KEY", multiple=True, required=True,
    help="The other unit's key, which came to you by another way than the bundles: the line that "
    "its 'seal key' prints, or a file with it. May be given again.",
)  # fmt: skip
@json_option
def import_(folder: Path, keys: Sequence[str], as_json: bool) -> None:
    """Take in a bundle of another unit, or a FOLDER of them, once each has been verified. They are
    listed by 'imported', open with show, check, export, report and bundle as UNIT/NAME, and never
    become part of this unit's own record. What does not verify is refused, each with its reason;
    the others are taken in. Exit code 1 when any was refused."""
    from platelink.evidence.beside import imported_path
    from platelink.evidence.imported import ImportedStore
    from platelink.evidence.wrong import EvidenceError

    known = [key_of(key) for key in keys]
    journal = load_config().journal.path
    own = _own_journals(journal)
    added: list[str] = []
    there: list[str] = []
    refused: dict[str, str] = {}
    with ImportedStore.open(imported_path(journal)) as store:
        for bundle in _bundles(folder):
            try:
                name, new = _take(store, bundle, known, own)
            except EvidenceError as error:
                refused[str(bundle)] = str(error)
                continue
            (added if new else there).append(name)
    if as_json:
        emit({"ok": not refused, "imported": added, "there": there, "refused": refused})
    else:
        for name in added:
            click.echo(f"imported  {name}")
        for name in there:
            click.echo(f"there     {name}: imported before, the same")
        for place, why in refused.items():
            click.echo(f"REFUSED   {place}: {why}")
        click.echo(f"{len(added)} imported, {len(there)} there before, {len(refused)} refused")
    if refused:
        click.get_current_context().exit(Failure.exit_code)


def _own_journals(journal: Path) -> set[str]:
    """Ids of this unit's journal and of those before it."""
    if not journal.exists():
        return set()
    from platelink.evidence.audit import journals_of
    from platelink.record.reader import JournalReader

    with JournalReader.open(journal) as reader:
        return journals_of(reader)


def _bundles(folder: Path) -> list[Path]:
    """A bundle, or the folders in it; hidden ones are what a killed ``bundle`` left."""
    if (folder / "seal.json").exists() or (folder / "bagit.txt").exists():
        return [folder]
    try:
        found = [p for p in sorted(folder.iterdir()) if p.is_dir() and not p.name.startswith(".")]
    except OSError as error:
        raise Failure(f"{folder} cannot be read ({error.strerror})") from None
    if not found:
        raise Misuse(f"{folder} is no bundle and has none in it; name a folder that bundle made")
    return found


def _take(
    store: ImportedStore, folder: Path, keys: Sequence[Verifier], own: set[str]
) -> tuple[str, bool]:
    from platelink.evidence.folder import read_folder
    from platelink.evidence.imported import verified
    from platelink.evidence.wrong import EvidenceError

    files = read_folder(folder)
    one = verified(files, keys)
    if one.journal in own:
        raise EvidenceError(f"{one.kind} {one.name} is this unit's own; its journal has it")
    return one.called, store.add(one, files, at_utc=datetime.now(UTC))


@click.command()
@json_option
def imported(as_json: bool) -> None:
    """List the records that were imported from other units, by unit and name. None of them is in
    this unit's own lists, figures or seals; 'ask' answers from them in a list of their own."""
    from platelink.evidence.beside import imported_path
    from platelink.evidence.imported import ImportedStore

    path = imported_path(load_config().journal.path)
    found: list[Imported] = []
    if path.exists():
        with ImportedStore.open(path, read_only=True) as store:
            found = store.all()
    if as_json:
        emit({"store": str(path), "records": found})
        return
    rows = [
        [one.called, one.kind, one.site, one.sealed_utc, one.imported_utc, one.vkey]
        for one in found
    ]
    print_table(_COLUMNS, rows, "none; take bundles in: platelink import FOLDER --key KEY")
