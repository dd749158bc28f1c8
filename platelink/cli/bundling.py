"""The commands ``bundle``, ``report`` and ``label``: sealed records to give away."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, json_option, load_config, opened
from platelink.cli.evidence import FILE, FOLDER, leaf_of, sealed_unit
from platelink.cli.filters import in_order, moment
from platelink.cli.group import Failure, Misuse
from platelink.cli.importing import found_run
from platelink.cli.stamping import Stamps

if TYPE_CHECKING:
    from platelink.evidence.seal import Seal

_SEAL, _PROOF = "seal.json", "seal.tlog-proof"


class Bundled(NamedTuple):
    """The files of a sealed record, whole."""

    files: dict[str, bytes]
    seal: Seal
    place: int


def _bundled(
    plate: str, stamp: Path | None = None, *, stamps: Stamps | None = None, again: bool = False
) -> Bundled:
    """A record of this unit, or one imported from another: as it came, or with its reports, which
    nobody signed, made ``again``. ``stamps`` are asked where no ``stamp`` is given."""
    with found_run(None, plate) as found:
        if found.imported is None or found.store is None:
            return _own(found.run.start.run_id, stamp, stamps, again=again)
        if stamp is not None:
            raise Misuse(f"{plate} is another unit's, whose checkpoint it has; leave --stamp out")
        from platelink.evidence.keys import Verifier
        from platelink.evidence.note import read_proof
        from platelink.evidence.seal import read_seal
        from platelink.evidence.told import BESIDE, TOLD, told_of

        files = found.store.files(found.imported)
        seal, proof = read_seal(files[_SEAL]), read_proof(files[_PROOF])
        if again:
            payload = {path: data for path, data in files.items() if path.startswith("data/")}
            key, beside = Verifier.of_text(found.imported.vkey), files.get(BESIDE)
            files = {path: data for path, data in files.items() if path not in TOLD}
            files |= told_of(payload, seal, proof, key, beside=beside)
        return Bundled(files, seal, proof.index)


def _own(plate: str, stamp: Path | None, stamps: Stamps | None, *, again: bool) -> Bundled:
    """``again``: its reports are wanted, which can be made without samples."""
    from platelink.evidence.bundle import bundle_of
    from platelink.evidence.stamped import Stamps
    from platelink.evidence.whole import whole_of

    alerts = load_config().alerts
    address = (alerts.page if alerts is not None else None) or ""
    with sealed_unit() as (log, reader, _):
        leaf = leaf_of(log, reader, plate)
        payload, proof, key, told, removed = whole_of(log, reader, leaf, address)
        kept = Stamps(log.database).of(proof.note.data)
    if removed and not again:
        raise Failure(
            f"{leaf.seal.name}: {removed}. A bundle needs them: one made before then still "
            "verifies, and a backup from before has them"
        )
    given = stamp.read_bytes() if stamp is not None else kept
    if given is None and stamps is not None:
        given = stamps.of(proof.note.data)
    files = bundle_of(payload, leaf.seal, proof, key, told=told, stamp=given)
    return Bundled(files, leaf.seal, leaf.place)


def _for_support(plate: str, to: Path, *, names: bool, as_json: bool) -> None:
    """Write it, and make the plate again from what was written."""
    from platelink.record.reader import JournalReader
    from platelink.replay.play import play_plate
    from platelink.replay.support import JOURNAL, write
    from platelink.tape.files import TapeError, folder_of, tapes

    with opened(None) as (reader, _):
        run = find_run(reader, plate)
        try:
            placed = write(run, reader, tapes(folder_of(reader.path)), to, names=names)
        except TapeError as error:
            raise Failure(str(error)) from error
        except OSError as error:
            raise Failure(
                f"{to} cannot be written ({error.strerror}); name a new folder"
            ) from error
    with JournalReader.open(to / JOURNAL) as reader:
        there = tapes(folder_of(reader.path))
        same = all(
            one.same for one in play_plate(find_run(reader, run.start.run_id), reader, there)
        )
    if as_json:
        emit({"folder": str(to), "plate": run.start.run_id, "same": same, "names": len(placed)})
        return
    words = (
        "name or note is another word" if len(placed) == 1 else "names and notes are other words"
    )
    left = f"; {len(placed)} {words} in it" if not names else ""
    click.echo(
        f"{to} written{left}\nmade again from it, the plate comes "
        + ("the same" if same else "NOT the same")
        + f": platelink replay {run.start.run_id} --journal {to / JOURNAL}\nlook at it before you "
        "give it away: the settings and the names of unit, recipe and plate are in it"
    )


@click.command()
@click.argument("plates", nargs=-1, metavar="[PLATE]...", shell_complete=complete.runs)
@click.option(
    "--to", type=FOLDER, required=True,
    help="Folder to make, which must not be there; of several: folder that gets one for each.",
)  # fmt: skip
@click.option("--since", metavar="TIME", callback=moment, help="All begun then or later.")
@click.option("--until", metavar="TIME", callback=moment, help="All begun before; a date: its end.")
@click.option("--stamp", type=FILE, help="A time stamp of its checkpoint (RFC 3161), put in.")
@click.option(
    "--for-support", is_flag=True,
    help="Instead: all that 'replay' needs to make this PLATE again somewhere else.",
)  # fmt: skip
@click.option(
    "--without-names", is_flag=True,
    help="With --for-support: other words for names of people, jobs, lots, and for notes.",
)  # fmt: skip
@json_option
def bundle(
    plates: Sequence[str], to: Path, stamp: Path | None, as_json: bool, *,
    since: datetime | None, until: datetime | None, for_support: bool, without_names: bool,
) -> None:  # fmt: skip
    """Write one sealed PLATE, or exposure, as a folder (BagIt, RFC 8493) that anybody can verify
    with common tools: record, samples, reports, seal, proof, checkpoint. See docs/evidence.md.

    Several, or all of a time, become a folder each below --to; what is there already is left as it
    is, so that the same line goes on where it was ended."""
    in_order(since, until)
    if bool(plates) == bool(since or until):
        raise click.UsageError("name one PLATE or more, or give --since and --until.")
    if without_names and not for_support:
        raise click.UsageError("--without-names goes with --for-support: seals are of all words.")
    if for_support:
        if len(plates) != 1 or stamp is not None:
            raise click.UsageError("--for-support takes one PLATE, and no --stamp.")
        _for_support(plates[0], to, names=not without_names, as_json=as_json)
        return
    if len(plates) != 1:
        if stamp is not None:
            raise click.UsageError("--stamp goes with one PLATE: each has a checkpoint of its own.")
        _bundle_all(plates or None, to, since, until, as_json)
        return
    from platelink.evidence.folder import write_folder

    stamps = Stamps()
    made = _bundled(plates[0], stamp, stamps=stamps)
    write_folder(made.files, to)
    stamps.tell()
    if as_json:
        emit({"bundle": str(to), "files": sorted(made.files), "kind": made.seal.kind,
              "name": made.seal.name, "index": made.place})  # fmt: skip
        return
    click.echo(f"{to}: {len(made.files)} files; try it with platelink verify --bundle {to}")


def _bundle_all(
    plates: Sequence[str] | None, to: Path, since: datetime | None, until: datetime | None,
    as_json: bool,
) -> None:  # fmt: skip
    from platelink.evidence.folder import write_folder

    wanted, waiting = (list(plates), []) if plates else _closed(since, until)
    written: list[str] = []
    there: list[str] = []
    stamps = Stamps()
    for plate in wanted:
        with found_run(None, plate) as found:
            if found.imported is None:
                with sealed_unit() as (log, reader, _):
                    leaf = leaf_of(log, reader, found.run.start.run_id)
                folder, seal = to / _folder_name(leaf.seal.name, leaf.place), leaf.seal.data
            else:
                folder, seal = to / _folder_name(found.imported.called, 0), b""
        if folder.exists():
            if seal and (not (folder / _SEAL).is_file() or (folder / _SEAL).read_bytes() != seal):
                raise Failure(f"{folder} is there and is another record; name another folder")
            there.append(str(folder))
            continue
        try:
            to.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise Failure(f"{to} cannot be made ({error.strerror}); name another") from None
        write_folder(_bundled(plate, stamps=stamps).files, folder)
        written.append(str(folder))
        if not as_json:
            click.echo(folder)
    stamps.tell()
    if as_json:
        emit({"to": str(to), "written": written, "there": there, "waiting": waiting,
              "unstamped": stamps.lacking})  # fmt: skip
        return
    more = f"; {len(waiting)} have no seal yet: {', '.join(waiting[:5])}" if waiting else ""
    click.echo(f"{len(written)} written, {len(there)} there before{more}")


def _closed(since: datetime | None, until: datetime | None) -> tuple[list[str], list[str]]:
    """Plates, and exposures without one, begun in that time, oldest first: with a seal, without."""
    sealed, waiting = [], []
    with sealed_unit() as (log, reader, _):
        for run_id in reversed(reader.wanted({"since": since, "until": until}, limit=-1)):
            plate = find_run(reader, run_id).start.plate or ""
            if log.find(("plate", "exposure"), run_id) is not None:
                sealed.append(run_id)
            elif plate in ("", run_id) or reader.run(plate) is None:
                waiting.append(run_id)
    return sealed, waiting


def _folder_name(name: str, place: int) -> str:
    """A name that no disk refuses, and no other record has."""
    plain = re.sub(r"[^A-Za-z0-9._-]", "_", name)[:80]
    return plain if plain == name and not plain.startswith(".") else f"{plain.lstrip('.')}-{place}"


@click.command()
@click.argument("plate", shell_complete=complete.runs)
@click.option(
    "--output", "-o", type=click.Path(path_type=Path, dir_okay=False),
    help="FILE.pdf or FILE.html. Left out: report.pdf here.",
)  # fmt: skip
@json_option
def report(plate: str, output: Path | None, as_json: bool) -> None:
    """Write one sealed PLATE, or exposure, on one page: what was asked for and what came of it,
    curves, alarms, inspection, people, calibration, and the seal with a code to scan. The PDF
    (PDF/A-3b) has the record and its proof inside."""
    from platelink.evidence.told import HTML, PDF

    to = output or Path(PDF)
    name = {".pdf": PDF, ".html": HTML}.get(to.suffix.lower())
    if name is None:
        raise Misuse(f"{to}: name a file that ends in .pdf or .html")
    made = _bundled(plate, again=True)
    if name not in made.files:
        raise Failure(
            f"this release cannot read {made.seal.name} as a run; platelink bundle has it as text"
        )
    _write(made.files[name], to)
    if as_json:
        emit({"report": str(to), "kind": made.seal.kind, "name": made.seal.name,
              "index": made.place})  # fmt: skip
        return
    click.echo(f"{to} written")


@click.command()
@click.argument("plate", shell_complete=complete.runs)
@click.option(
    "--output", "-o", type=click.Path(path_type=Path, dir_okay=False), default=Path("label.pdf"),
    show_default=True, help="File to write.",
)  # fmt: skip
@json_option
def label(plate: str, output: Path, as_json: bool) -> None:
    """Write the label of a PLATE (62 mm by 29 mm, PDF): its code for the page's scanner, its name,
    job, lot and recipe."""
    from platelink.report.sheet import label_lines
    from platelink.report.typeset import label_of

    with opened(None) as (reader, _):
        run = find_run(reader, plate)
    told = run.summary
    if told.kind != "plate":
        raise Misuse(f"{told.run_id} is no plate; see platelink plate list")
    title, *lines = label_lines(told)
    _write(label_of(title, lines, told.run_id, run.start.at_utc), output)
    if as_json:
        emit({"label": str(output), "plate": told.run_id})
        return
    click.echo(f"{output} written")


def _write(data: bytes, to: Path) -> None:
    try:
        to.write_bytes(data)
    except OSError as error:
        raise Failure(
            f"{to} cannot be written ({error.strerror}); choose another place, or free space"
        ) from None
