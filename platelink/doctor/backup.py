"""A copy of all files of a unit or a recorder, made while they are in use; its way back; its drill.

A backup is a directory: the files, and ``manifest.json`` with their sums. It holds what every file
holds, hashes of PINs and passwords too, and is as secret.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import tempfile
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from platelink import __version__
from platelink.alerts.schema import ALERTS
from platelink.calibrations.schema import CALIBRATIONS
from platelink.config.load import load, load_recorder
from platelink.config.model import Config
from platelink.distribution.taken import taken_path
from platelink.evidence.beside import imported_path, log_path
from platelink.evidence.imported_schema import IMPORTED
from platelink.evidence.schema import SEALS
from platelink.evidence.sealer import set_aside_name
from platelink.experiments.schema import EXPERIMENTS
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreRefused, StoreUnusable
from platelink.ledger.kind import Kind
from platelink.ledger.private import handed
from platelink.people.schema import PEOPLE
from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.recorder_schema import RECORDER
from platelink.recipe.schema import RECIPES
from platelink.record.backed_up import BackedUp, note_backup
from platelink.record.restored import begin_again
from platelink.record.schema import JOURNAL

MANIFEST = "manifest.json"
FORMAT = 1
_CONFIG = "platelink.toml"


class Part(NamedTuple):
    """One file: its name in the backup, where it belongs, and its kind; None for a plain one."""

    name: str
    place: Path
    kind: Kind | None


@dataclass(frozen=True, slots=True)
class Kept:
    """One file of a backup, as the manifest has it."""

    name: str
    place: str
    bytes: int
    sha256: str
    rows: dict[str, int]
    """How many each table has; empty for a plain file."""


def parts(config_file: Path, *, recorder: bool) -> list[Part]:
    """All files of a configuration, there or not."""
    if recorder:
        own = load_recorder(config_file).recorder.path
        found = [Part("recorder.sqlite", own, RECORDER),
                 Part("recorder.name", own.with_suffix(".name"), None)]  # fmt: skip
    else:
        found = _of_unit(load(config_file))
    return [*found, Part(_CONFIG, config_file, None)]


def _of_unit(config: Config) -> list[Part]:
    journal = config.journal.path
    return [
        Part("alerts.sqlite", config.alerts_path(), ALERTS),
        Part("calibrations.sqlite", config.calibrations_path(), CALIBRATIONS),
        Part("experiments.sqlite", config.experiments_path(), EXPERIMENTS),
        Part("journal.sqlite", journal, JOURNAL),
        Part("journal.cursor", journal.with_suffix(".cursor"), None),
        Part("journal.imported", imported_path(journal), IMPORTED),
        Part("journal.seals", log_path(journal), SEALS),  # never its key
        Part("journal.shop", taken_path(journal), None),
        Part("people.sqlite", config.people_path(), PEOPLE),
        Part("recipes.sqlite", config.recipes_path(), RECIPES),
    ]


def backup(config_file: Path, target: Path, *, recorder: bool, at_utc: datetime) -> list[Kept]:
    """Copy every file that is there; nobody who uses them waits for longer than a small file takes.
    ``StoreRefused`` when the target is there; the errors of a kind when a file is damaged."""
    if target.exists():
        raise StoreRefused(f"{target} exists already; name another directory")
    new = target.with_name(f".{target.name}.{os.getpid()}")
    new.mkdir(mode=0o700, parents=True)
    try:
        found = [_copied(part, new) for part in parts(config_file, recorder=recorder)
                 if part.place.exists()]  # fmt: skip
        told = {
            "format": FORMAT, "platelink": __version__, "recorder": recorder,
            "made_utc": at_utc.astimezone(UTC).isoformat(timespec="seconds"),
            "files": [asdict(one) for one in found],
        }  # fmt: skip
        _write(new / MANIFEST, json.dumps(told, indent=1).encode() + b"\n")
        new.rename(target)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise
    if not recorder:
        _remember(config_file, target, at_utc)
    return found


def _remember(config_file: Path, target: Path, at_utc: datetime) -> None:
    """Beside the journal, for the retention of samples; who may not write there has made a backup
    nevertheless, and no samples are removed on the strength of it."""
    copy = target / "journal.sqlite"
    if not copy.exists():
        return
    with closing(Database(copy, JOURNAL, read_only=True)) as database:
        sql = "SELECT uuid, (SELECT coalesce(max(number), 0) FROM entries) FROM journal"
        ((uuid, number),) = database.rows(sql)
    made_utc = at_utc.astimezone(UTC).isoformat(timespec="seconds")
    made = BackedUp(uuid, number, made_utc, str(target.absolute()))
    with suppress(OSError):
        note_backup(load(config_file).journal.path, made)


def _copied(part: Part, folder: Path) -> Kept:
    copy = folder / part.name
    rows: dict[str, int] = {}
    if part.kind is None:
        _write(copy, part.place.read_bytes())
    else:
        with closing(Database(part.place, part.kind, read_only=True)) as database:
            database.copy_to(copy)
        rows = _sound(copy, part.kind)
    return Kept(part.name, str(part.place.absolute()), copy.stat().st_size, _sum(copy), rows)


def _sound(copy: Path, kind: Kind) -> dict[str, int]:
    """Rows of each table; ``StoreUnusable`` when SQLite finds a fault in it."""
    with closing(Database(copy, kind, read_only=True)) as database:
        faults = [str(row[0]) for row in database.rows("PRAGMA integrity_check")]
        if faults != ["ok"]:
            raise StoreUnusable(
                f"{copy.name} is damaged ({faults[0]:.200}); keep the backups there are, and see "
                "platelink doctor"
            )
        return {table: database.rows(f"SELECT count(*) FROM {table}")[0][0]  # noqa: S608
                for table in database.tables()}  # fmt: skip


def _manifest(source: Path) -> tuple[dict[str, Any], list[Kept]]:
    try:
        told = json.loads((source / MANIFEST).read_text("utf-8"))
        if told["format"] != FORMAT:
            raise ValueError(f"its format is {told['format']}")
        kept = [Kept(**one) for one in told["files"]]
        if any(Path(one.name).name != one.name for one in kept):
            raise ValueError("it names a place outside of itself")
        return told, kept
    except (OSError, ValueError, TypeError, LookupError) as error:
        raise StoreRefused(
            f"{source} is no backup, or its {MANIFEST} is damaged ({error}); name a directory that "
            "platelink backup made"
        ) from None


def verified(source: Path) -> tuple[dict[str, Any], list[Kept]]:
    """The manifest of a backup whose files are what was written; ``StoreRefused`` names one that is
    not."""
    told, kept = _manifest(source)
    for one in kept:
        path = source / one.name
        if not path.is_file() or _sum(path) != one.sha256:
            raise StoreRefused(
                f"{path} is not what was backed up (its sum differs, or it is gone); use another "
                "backup, or copy what is sound: platelink doctor --repair"
            )
    return told, kept


class Restored(NamedTuple):
    """One file that was put back."""

    name: str
    place: Path


def restore(
    source: Path, config_file: Path | None, *, to: Path | None, at_utc: datetime
) -> list[Restored]:
    """Put the files back: below ``to``, or where the configuration says, which is the backup's own
    and is put back, too, where ``config_file`` is not there. Nothing that is there is overwritten:
    ``StoreRefused`` names it first.

    The journal goes on with an id of its own: its numbers were given to other entries since the
    backup, which recorders hold."""
    told, kept = verified(source)
    names = {one.name for one in kept}
    done: list[Restored] = []
    try:
        if to is None and config_file is None:
            raise StoreRefused("say where: --to DIRECTORY, or --config with the file to put back")
        if to is None and config_file is not None and not config_file.exists():
            done.append(_put(source, _CONFIG, config_file))  # it says where the others belong
        places = _places(names, to, config_file, recorder=bool(told["recorder"]))
        there = [str(place) for place in places.values() if place.exists()]
        if there:
            more = f" ({len(there)} such files)" if there[1:] else ""
            raise StoreRefused(
                f"{there[0]} is there; end what uses it and move it away with what lies beside it "
                f"(-wal, -shm), then restore again{more}"
            )
        for name, place in places.items():
            done.append(_put(source, name, place))
        _settle(places, source, at_utc)
    except BaseException:
        for one in done:  # all or nothing: half a unit must not start
            one.place.unlink(missing_ok=True)
        raise
    return done


def _put(source: Path, name: str, place: Path) -> Restored:
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    _write(place, (source / name).read_bytes())
    return Restored(name, place)


def _places(
    names: set[str], to: Path | None, config_file: Path | None, *, recorder: bool
) -> dict[str, Path]:
    if to is not None:
        return {name: to / name for name in sorted(names)}
    assert config_file is not None
    found = parts(config_file, recorder=recorder)
    return {p.name: p.place for p in found if p.name in names and p.name != _CONFIG}


def _settle(places: dict[str, Path], source: Path, at_utc: datetime) -> None:
    """What must not be as it was."""
    if "people.sqlite" in places:  # sign-ins that were ended since
        with closing(Database(places["people.sqlite"], PEOPLE, read_only=False)) as people:
            people.execute("DELETE FROM sign_ins")
            people.execute("DELETE FROM screens")
    if "alerts.sqlite" in places:  # what waited was sent since, or is no news any more
        with closing(Database(places["alerts.sqlite"], ALERTS, read_only=False)) as alerts:
            alerts.execute(
                "UPDATE items SET state = 'dropped', why = 'restored from a backup' "
                "WHERE state = 'waiting'"
            )
    if "journal.seals" in places:
        # Since the backup it has grown in its own place, and others hold checkpoints of that.
        log = places["journal.seals"]
        log.rename(set_aside_name(log))
    if "journal.sqlite" in places:
        journal = places["journal.sqlite"]
        sent = CursorFile(places.get("journal.cursor", journal.with_suffix(".cursor")))
        before = sent.load()
        new = secrets.token_hex(8)
        uuid, entries = begin_again(journal, new_uuid=new, source=source, at_utc=at_utc)
        number = min(before.number, entries)
        if number:  # what was sent by then is not sent again under the new id
            sent.save(CursorState(number, f"{uuid}-{number}", before.session))


class Drilled(NamedTuple):
    """One file that was restored and compared."""

    name: str
    rows: int
    missing: int
    """Rows that the backup should have and the restored file has not."""


def drill(source: Path, config_file: Path | None, *, at_utc: datetime) -> list[Drilled]:
    """Restore into an empty directory, open every file there, compare it with what was backed up,
    and leave nothing behind."""
    _, kept = verified(source)
    with tempfile.TemporaryDirectory(prefix="platelink-drill-") as folder:
        done = restore(source, config_file, to=Path(folder), at_utc=at_utc)
        kinds = {part.name: part.kind for part in _ALL}
        found = []
        for one in done:
            kind = kinds.get(one.name)
            if kind is None:
                found.append(Drilled(one.name, 0, 0))
                continue
            rows = _sound(one.place, kind)
            was = next(k.rows for k in kept if k.name == one.name)
            lost = [n - rows.get(t, 0) for t, n in was.items() if t not in ("sign_ins", "screens")]
            found.append(Drilled(one.name, sum(rows.values()), sum(n for n in lost if n > 0)))
        return found


_ALL = (
    Part("journal.sqlite", Path(), JOURNAL), Part("people.sqlite", Path(), PEOPLE),
    Part("alerts.sqlite", Path(), ALERTS),
    Part("recipes.sqlite", Path(), RECIPES), Part("recorder.sqlite", Path(), RECORDER),
    Part("calibrations.sqlite", Path(), CALIBRATIONS), Part("journal.imported", Path(), IMPORTED),
    Part("experiments.sqlite", Path(), EXPERIMENTS),
)  # fmt: skip


def _write(path: Path, data: bytes) -> None:
    handle = handed(str(path), os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    with open(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _sum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
