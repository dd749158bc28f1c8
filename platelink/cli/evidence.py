"""The commands ``verify``, ``bundle`` and ``seal``: what a record is worth to others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, json_option, load_config
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.importing import found_run, key_of

if TYPE_CHECKING:
    from platelink.evidence.audit import Audit
    from platelink.evidence.cosign import Cosigned
    from platelink.evidence.keys import Verifier
    from platelink.evidence.log import Leaf, SealLog
    from platelink.record.reader import JournalReader

FOLDER = click.Path(path_type=Path, file_okay=False)
FILE = click.Path(path_type=Path, dir_okay=False, exists=True)
_TOLD = 20
_TIME = "%Y-%m-%d %H:%M:%S UTC"


@contextmanager
def sealed_unit() -> Iterator[tuple[SealLog, JournalReader, dict[str, Path]]]:
    """The log, the journal and the stores of the configured unit."""
    from platelink.daemon.sealing import seal_places
    from platelink.evidence.log import SealLog
    from platelink.record.reader import JournalReader

    places = seal_places(load_config())
    with (
        SealLog.open(places.log, read_only=True) as log,
        JournalReader.open(places.journal) as reader,
    ):
        yield log, reader, dict(places.stores)


def leaf_of(log: SealLog, reader: JournalReader, plate: str) -> Leaf:
    from platelink.evidence.beside import known_of

    run = find_run(reader, plate)
    leaf = known_of(reader.path, run).leaf
    if leaf is None:
        why = "it is still open" if run.end is None else "the daemon seals it within seconds"
        raise Failure(f"{run.start.run_id} is not sealed: {why}")
    return leaf


class _Given(NamedTuple):
    """What came to whoever verifies, beside the key."""

    others: tuple[Verifier, ...]
    needed: int
    tsa: bytes | None


def _tsa(given: Path | None) -> bytes | None:
    """Certificates of the authority of time stamps: as given, else as configured."""
    from platelink.config.load import ConfigError

    path = given
    with suppress(ConfigError):
        section = load_config().stamping if path is None else None
        path = section.certificate_file if section is not None else path
    try:
        return path.read_bytes() if path is not None else None
    except OSError as error:
        raise Misuse(f"{path} cannot be read ({error.strerror})") from None


def _cosigning(given: Sequence[str], needed: int | None) -> tuple[tuple[Verifier, ...], int]:
    """Keys of other units and how many of them must have cosigned: as given, else as configured,
    where there is a configuration."""
    from platelink.config.load import ConfigError
    from platelink.evidence.keys import Verifier

    lines, least = [], 0
    with suppress(ConfigError):  # a bundle is verified where there is no unit, too
        section = load_config().cosigning
        lines, least = list(section.units), section.needed
    keys = [key_of(text) for text in given] or map(Verifier.of_text, lines)
    return tuple(keys), least if needed is None else needed


@click.command()
@click.argument("plate", required=False, shell_complete=complete.runs)
@click.option("--bundle", type=FOLDER, help="A folder made by 'bundle', of this or another unit.")
@click.option("--journal", is_flag=True, help="All that this unit has sealed, and its log.")
@click.option(
    "--imported", is_flag=True, help="All imported from other units, under the keys of then."
)
@click.option(
    "--key", metavar="KEY", help="The unit's key, which came to you by another way: the line that "
    "'seal key' prints, or a file with it. Without it: this unit's own.",
)  # fmt: skip
@click.option("--head", "heads", type=FILE, multiple=True, help="A checkpoint that others hold.")
@click.option(
    "--cosigner", "cosigners", metavar="KEY", multiple=True, help="The key of another unit that "
    "may have cosigned, as --key. Without it: those in [cosigning].",
)  # fmt: skip
@click.option(
    "--tsa", type=FILE, help="Certificates (PEM) of the authority that stamped the checkpoint. "
    "Without it: those in [stamping].",
)  # fmt: skip
@click.option(
    "--needed", type=click.IntRange(0, 100),
    help="How many of them must have cosigned. Without it: as in [cosigning].",
)  # fmt: skip
@json_option
def verify(
    plate: str | None, *, bundle: Path | None, journal: bool, imported: bool, key: str | None,
    heads: Sequence[Path], cosigners: Sequence[str], needed: int | None, tsa: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Compare records with what was sealed when they closed: one PLATE (or exposure), a bundle, or
    all of the journal. Exit code 1 when anything was changed; each change is stated in a sentence.

    A seal is worth what the key is worth, and the checkpoints that others hold: see
    docs/evidence.md."""
    if (plate is not None) + (bundle is not None) + journal + imported != 1:
        raise click.UsageError("name one PLATE, or give --bundle FOLDER, --journal or --imported.")
    given_by = _Given(*_cosigning(cosigners, needed), _tsa(tsa))
    if bundle is not None:
        from platelink.evidence.folder import read_folder

        _verify_bundle(read_folder(bundle), str(bundle), key, given_by, as_json)
        return
    if imported:
        _verify_imported(as_json)
        return
    if plate is not None:
        with found_run(None, plate) as meant:
            if meant.imported is not None and meant.store is not None:
                files, given = meant.store.files(meant.imported), key or meant.imported.vkey
                _verify_bundle(files, meant.imported.called, given, given_by, as_json)
                return
    from platelink.evidence.audit import audit_log, audit_records
    from platelink.evidence.cosign import lacking
    from platelink.evidence.note import read_note

    notes = [read_note(path.read_bytes()) for path in heads]
    with sealed_unit() as (log, reader, stores):
        others, least, roots = given_by
        found = audit_log(
            log, heads=notes, key=key_of(key) if key else None, others=others, tsa=roots
        )
        found.notices += lacking(found.cosigned, others, least)
        leaves = None if plate is None else [leaf_of(log, reader, plate)]
        if not found.problems:
            audit_records(log, reader, stores, leaves=leaves, found=found)
    _tell(found, leaves, as_json)


def _tell(found: Audit, leaves: Sequence[Leaf] | None, as_json: bool) -> None:
    whole = not found.problems
    head = found.head.data.decode() if found.head is not None else None
    if as_json:
        emit({"ok": whole, "problems": found.problems, "notices": found.notices,
              "leaves": found.leaves, "records": found.records, "waiting": found.waiting,
              "cosigned": _told_of(found.cosigned), "checkpoint": head,
              "stamped": [{"leaves": size, "at_utc": at.isoformat()}
                          for size, at in _stamps_of(found, leaves)]})  # fmt: skip
    else:
        for leaf in leaves or ():
            seal = leaf.seal
            click.echo(f"{seal.kind} {seal.name}, sealed {seal.sealed_utc} as leaf {leaf.place}")
        for text in found.problems[:_TOLD]:
            click.echo(f"  CHANGED  {text}")
        if len(found.problems) > _TOLD:
            click.echo(f"  CHANGED  and {len(found.problems) - _TOLD} more (--json has all)")
        for text in found.notices:
            click.echo(f"  notice   {text}")
        waiting = f", {found.waiting} not sealed yet" if found.waiting else ""
        click.echo(
            f"{found.records} sealed records compared: "
            + ("each is what was sealed" if whole else "NOT what was sealed")
            + f"; the log has {found.leaves} leaves{waiting}"
        )
        for size, at in _stamps_of(found, leaves)[-1:] if whole else ():
            click.echo(
                f"the log of {size} leaves was time-stamped at {at:{_TIME}} by the authority"
            )
        if whole and head:
            for one in found.cosigned:
                click.echo(f"its head was cosigned by {one.name} at {one.at_utc:{_TIME}}")
            click.echo(f"its head, to compare with what others hold:\n\n{head}")
    if not whole:
        click.get_current_context().exit(Failure.exit_code)


def _stamps_of(found: Audit, leaves: Sequence[Leaf] | None) -> list[tuple[int, datetime]]:
    """All time stamps; of one leaf the first one with it."""
    if leaves is None:
        return found.stamped
    after = max((leaf.place for leaf in leaves), default=-1)
    return [one for one in found.stamped if one[0] > after][:1]


def _told_of(by: Sequence[Cosigned]) -> list[dict[str, str]]:
    return [{"name": one.name, "at_utc": one.at_utc.isoformat()} for one in by]


def _verify_imported(as_json: bool) -> None:
    from platelink.evidence.beside import imported_path
    from platelink.evidence.bundle import check_bundle
    from platelink.evidence.imported import ImportedStore
    from platelink.evidence.keys import Verifier

    path = imported_path(load_config().journal.path)
    wrong: dict[str, str] = {}
    count = 0
    if path.exists():
        with ImportedStore.open(path, read_only=True) as store:
            for one in store.all():
                count += 1
                key = Verifier.of_text(one.vkey)
                found = check_bundle(store.files(one), key, reports=False)
                if found.problems:
                    wrong[one.called] = found.problems[0]
    if as_json:
        emit({"ok": not wrong, "records": count, "problems": wrong})
    else:
        for name, text in wrong.items():
            click.echo(f"  CHANGED  {name}: {text}")
        click.echo(f"{count} imported records, {len(wrong)} not what was sealed")
    if wrong:
        click.get_current_context().exit(Failure.exit_code)


def _verify_bundle(
    files: Mapping[str, bytes],
    folder: str,
    given: str | None,
    given_by: _Given,
    as_json: bool,
) -> None:
    from platelink.evidence.bundle import check_bundle

    key = key_of(given) if given else None
    if key is None:
        try:
            with sealed_unit() as (log, _, _):
                key = log.keys()[-1]
        except Exception as error:
            raise Misuse(
                "give the unit's key with --key, and have it by another way than the bundle: who "
                f"forges a bundle puts their own key in ({error})"
            ) from error
    found = check_bundle(
        files, key, others=given_by.others, needed=given_by.needed, now=datetime.now(UTC),
        tsa=given_by.tsa,
    )  # fmt: skip
    if as_json:
        emit({"ok": not found.problems, "problems": found.problems, "notices": found.notices,
              "kind": found.seal and found.seal.kind, "name": found.seal and found.seal.name,
              "sealed_utc": found.seal and found.seal.sealed_utc, "index": found.place,
              "key": key.text, "cosigned": _told_of(found.cosigned),
              "stamped_utc": found.stamped_at and found.stamped_at.isoformat()})  # fmt: skip
    else:
        for text in found.problems:
            click.echo(f"  CHANGED  {text}")
        for text in found.notices:
            click.echo(f"  notice   {text}")
        if found.seal is not None and found.head is not None and not found.problems:
            click.echo(
                f"{found.seal.kind} {found.seal.name} of unit {found.seal.unit} is what was sealed "
                f"{found.seal.sealed_utc}\n  as leaf {found.place} of {found.head.size} of "
                f"{found.head.origin}\n  under key {key.text}"
            )
            for one in found.cosigned:
                click.echo(f"  cosigned by {one.name} at {one.at_utc:{_TIME}}")
            if found.stamped_at is not None:
                click.echo(f"  time-stamped at {found.stamped_at:{_TIME}} by the authority given")
        else:
            click.echo(f"{folder} is NOT what was sealed under key {key.text}")
    if found.problems:
        click.get_current_context().exit(Failure.exit_code)


_SEALS = {
    "key": Lazy("evidence:key", "Print the public key."),
    "head": Lazy("evidence:head", "Print the newest checkpoint."),
    "rotate": Lazy("evidence:rotate", "Let a new key sign from now on."),
}


@click.group(cls=LazyGroup, lazy=_SEALS)
def seal() -> None:
    """The log of seals: its key, its head."""


@click.command()
@json_option
def key(as_json: bool) -> None:
    """Print the public key that signs this unit's seals. Give it to whoever is to verify them, by
    another way than the bundles: on paper, at the first visit."""
    with sealed_unit() as (log, _, _):
        keys = log.keys()
    if as_json:
        emit({"key": keys[-1].text, "before": [one.text for one in keys[:-1]]})
    else:
        click.echo(keys[-1].text)


@click.command()
@click.option("--output", "-o", type=click.Path(path_type=Path), help="Write it to this file.")
def head(output: Path | None) -> None:
    """Print the newest checkpoint, a signed note: whoever holds it can tell later whether the log
    has only grown since."""
    with sealed_unit() as (log, _, _):
        note = log.head()
    assert note is not None  # a log begins with one
    if output is None:
        click.echo(note.data.decode(), nl=False)
    else:
        output.write_bytes(note.data)


@click.command()
@json_option
def rotate(as_json: bool) -> None:
    """Let a new key sign from now on. The next checkpoint is signed by both keys; the daemon takes
    it over within a second, or at its next start. Then give the new key to whoever had the old."""
    from platelink.daemon.sealing import seal_places
    from platelink.evidence.key_file import make_key

    places = seal_places(load_config())
    with sealed_unit() as (log, _, _):
        name = str(log.origin())
    try:
        made = make_key(places.next_key, name)
    except FileExistsError:
        raise Failure(
            f"{places.next_key} waits already; start the daemon to take it over"
        ) from None
    except OSError as error:
        raise Failure(f"{places.next_key} cannot be written ({error.strerror})") from None
    if as_json:
        emit({"key": made.verifier.text})
    else:
        click.echo(made.verifier.text)
