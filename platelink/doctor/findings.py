"""What the doctor looks at beside the device: clock, journal, disk, broker, store.

Each look is a function that gives findings and never raises for what it came to find.
"""

from __future__ import annotations

import ctypes
import os
import secrets
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from platelink.config.services import StoreSection
from platelink.events.event import EventName
from platelink.evidence.audit import audit_log
from platelink.evidence.key_file import read_key
from platelink.evidence.log import SealLog
from platelink.evidence.sealer import SealPlaces
from platelink.evidence.witnessed import Witnessed
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.people.store import People
from platelink.publish.broker import (
    BrokerError,
    BrokerSettings,
    Connected,
    ConnectionLost,
)
from platelink.publish.links import link_to
from platelink.publish.store import Store, StoreLost, StoreSettings
from platelink.record.ballast import Ballast
from platelink.record.errors import JournalError, JournalMissing
from platelink.record.reader import JournalReader

Health = Literal["ok", "notice", "wrong", "unknown", "left out"]

FREE_WRONG_BYTES = 100_000_000
"""A day of long runs needs less (a sample is some 30 bytes); below it nobody should begin one."""
FREE_NOTICE_BYTES = 1_000_000_000
CLOCK_ERROR_LIMIT_S = 1.0
"""Records are for people and for lining up with other machines."""
BROKER_WAIT_S = 5.0
_TIMESYNC = Path("/run/systemd/timesync/synchronized")
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at."""

    subject: str
    health: Health
    measured: str
    limit: str = ""
    advice: str = ""


def fault(subject: str, error: Exception) -> Finding:
    """A fault of ours as a finding; its text ends with what to do."""
    text = str(error)
    measured, mark, advice = text.rpartition("; ")
    if not mark:
        measured, mark, advice = text.rpartition("): ")
        measured += ")" if mark else ""
    return Finding(subject, "wrong", measured or text, advice=advice if mark else "")


# --- clock ----------------------------------------------------------------------------------


class _Timex(ctypes.Structure):
    """The beginning of ``struct timex`` (adjtimex(2)), with room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_char * 512),
    )


def kernel_clock() -> tuple[bool, float] | None:
    """(synchronised, largest error in seconds) as the kernel has been told by whatever program
    keeps its time; None where that cannot be read."""
    timex = _Timex()
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else (state != _TIME_ERROR, timex.maxerror / 1e6)


def clock(newest: datetime | None = None) -> Finding:
    """Is this computer's clock right? ``newest``: time of the newest record, if any."""
    now = datetime.now(UTC)
    if newest is not None and newest > now:
        return Finding(
            "clock",
            "wrong",
            f"this computer says {now:%Y-%m-%d %H:%M:%S} UTC, the newest record is of "
            f"{newest:%Y-%m-%d %H:%M:%S}",
            "no record is in the future",
            "set the clock; 'sudo timedatectl set-ntp true' keeps it set",
        )
    limit = f"synchronised within {CLOCK_ERROR_LIMIT_S:g} s"
    known = kernel_clock()
    if known is None and not _TIMESYNC.exists():
        text = "clock synchronisation cannot be checked here"
        return Finding("clock", "unknown", text, limit, "compare it with another clock")
    synchronised, error_s = known or (True, 0.0)
    if synchronised and error_s <= CLOCK_ERROR_LIMIT_S:
        return Finding("clock", "ok", f"synchronised, error at most {error_s:.3f} s", limit)
    measured = f"synchronised within {error_s:.1f} s only" if synchronised else "not synchronised"
    return Finding(
        "clock",
        "notice",
        f"{measured}; times in the record may be off; doses are not affected",
        limit,
        "sudo timedatectl set-ntp true, or install a time client such as chrony",
    )


# --- journal and disk -----------------------------------------------------------------------


def journal(path: Path, *, daemon_runs: bool, quick: bool) -> tuple[list[Finding], datetime | None]:
    """Findings on the journal, and the time of its newest run."""
    try:
        with JournalReader.open(path) as reader:
            newest = reader.runs(limit=1)
            found = [
                _integrity(reader, path, quick),
                *_open_runs(sum(run.kind == "expose" for run in reader.open_runs()), daemon_runs),
            ]
    except JournalMissing:
        return [_no_journal(path)], None
    except JournalError as error:
        return [fault("journal", error)], None
    if not Ballast(path).present():
        found.append(
            Finding(
                "journal",
                "notice",
                "no disk space is reserved for finishing a run on a full disk",
                advice="free disk space; the daemon reserves it when a run begins",
            )
        )
    return found, newest[0].start.at_utc if newest else None


def _integrity(reader: JournalReader, path: Path, quick: bool) -> Finding:
    entries, size = reader.last_number(), path.stat().st_size
    what = f"{path}, unit {reader.unit}, {entries} entries, {size / 1e6:.1f} MB"
    if quick:
        return Finding("journal", "ok", f"{what}; not read through")
    began = time.monotonic()
    faults = reader.faults()
    if faults:
        more = f" and {len(faults) - 3} more" if len(faults) > 3 else ""
        return Finding(
            "journal",
            "wrong",
            f"{what}: {'; '.join(faults[:3])}{more}",
            "no fault",
            "stop the daemon, keep a copy of the file with its -wal file, restore a backup, and "
            "check the disk",
        )
    return Finding("journal", "ok", f"{what}, read through in {time.monotonic() - began:.1f} s")


def _open_runs(count: int, daemon_runs: bool) -> Iterator[Finding]:
    expected = 1 if daemon_runs else 0
    if count > expected:
        yield Finding(
            "journal",
            "notice",
            f"{count} exposures have no end",
            f"{expected} while {'the daemon runs' if daemon_runs else 'no daemon runs'}",
            "the daemon completes them at its next start: platelink serve",
        )


def _no_journal(path: Path) -> Finding:
    there = path.parent.is_dir()
    if there and os.access(path.parent, os.W_OK):
        return Finding(
            "journal", "ok", f"{path} does not exist yet; the daemon makes it: platelink serve"
        )
    measured = "cannot be written by this user" if there else "does not exist"
    return Finding(
        "journal",
        "wrong",
        f"directory {path.parent} {measured}",
        "the user of the daemon can write there",
        f"sudo install -d -o USER {path.parent}, with the daemon's user, or set [journal] path",
    )


def seals(places: SealPlaces) -> Finding:
    """Has the log of seals only grown, and is its key there and nobody else's? Whether the records
    are what was sealed takes longer: ``platelink verify``."""
    if not places.log.exists():
        return Finding("seals", "ok", "nothing was sealed yet; the daemon begins the log")
    try:
        with SealLog.open(places.log, read_only=True) as log:
            found, keys = audit_log(log), log.keys()
        key = read_key(places.key, keys[-1].name)
    except (StoreError, EvidenceError, IndexError) as error:
        return fault("seals", error)
    if found.problems:
        return Finding(
            "seals", "wrong", f"{places.log}: {'; '.join(found.problems[:3])}", "it only grows",
            "keep it as it is, with the journal; platelink verify --journal lists all of it",
        )  # fmt: skip
    if key is None or key.verifier not in keys:
        what = "is gone" if key is None else "is another key than signed so far"
        return Finding(
            "seals", "wrong", f"{places.key} {what}", "the key that signed the newest checkpoint",
            "put the right one back, or let the daemon begin another log (docs/evidence.md)",
        )  # fmt: skip
    return Finding("seals", "ok", f"{places.log}, {found.leaves} leaves, only grown")


def witnessed(places: SealPlaces) -> Iterator[Finding]:
    """Has a unit shown a log of seals that cannot be the one this unit saw of it before?"""
    if not places.log.exists():
        return
    try:
        with SealLog.open(places.log, read_only=True) as log:
            found = Witnessed(log.database).standing()
    except (StoreError, EvidenceError) as error:
        yield fault("seals", error)
        return
    for one in found:
        yield Finding(
            "seals", "notice" if one.kind in ("smaller", "unproven") else "wrong", one.text,
            "each log goes on from the one seen before",
            "keep the files of both units as they are; ask there what was restored or changed, and "
            "compare platelink verify --journal (docs/evidence.md)",
        )  # fmt: skip


def people(path: Path, journal: Path) -> Finding:
    """Is anybody entered, and are those there whom the journal remembers?"""
    try:
        with JournalReader.open(journal) as reader:
            remembered = reader.newest_unit_event(EventName.PEOPLE_ENTERED) is not None
    except JournalError:
        remembered = False
    why = "is missing"
    if path.exists():
        try:
            with People.open(path, read_only=True) as store:
                count = len(store.log.people())
        except StoreError as error:
            return fault("people", error)
        if count:
            return Finding("people", "ok", f"{path}, {count} people")
        why = "has no users"
    if not remembered:
        return Finding(
            "people",
            "ok",
            "no users: anyone at this computer acts as a lead; add the first lead: platelink "
            "user first NAME",
        )
    return Finding(
        "people", "wrong", f"{path} {why}, although this unit had users", "",
        "restore it from a backup, or start over: sudo platelink user first NAME --why REASON",
    )  # fmt: skip


_SET = {
    "journal": "[journal] path",
    "recipes": "[recipes] path",
    "calibrations": "[calibration] path",
    "experiments": "[journal] path",
    "people": "[service] people",
    "recorder": "[recorder] path",
    "shop": "[journal] path",
}


def writable(subject: str, path: Path) -> Iterator[Finding]:
    """A file that this user must write, or begin; nothing where that can be."""
    folder = path.absolute().parent
    if path.exists():
        measured = "" if os.access(path, os.W_OK) else f"{path} cannot be written by this user"
    elif not folder.is_dir():
        measured = f"directory {folder} does not exist"
    else:
        measured = "" if os.access(folder, os.W_OK) else f"{folder} cannot be written by this user"
    if path.is_dir():
        measured = f"{path} is a directory, no file"
    if measured:
        yield Finding(
            subject,
            "wrong",
            measured,
            "the user of the program that writes it can",
            f"sudo install -d -o USER {folder}, with that user, or set {_SET[subject]}",
        )


def disk(path: Path) -> Finding:
    """Free space where a file is, or will be."""
    place = next(p for p in path.absolute().parents if p.exists())
    try:
        free = shutil.disk_usage(place).free
    except OSError as error:
        return Finding("disk", "unknown", f"{place}: {error.strerror}")
    enough = free >= FREE_NOTICE_BYTES
    return Finding(
        "disk",
        "ok" if enough else "notice" if free >= FREE_WRONG_BYTES else "wrong",
        f"{free / 1e9:.2f} GB free for {path}",
        f"at least {FREE_NOTICE_BYTES / 1e9:g} GB, no run below {FREE_WRONG_BYTES / 1e9:g} GB",
        "" if enough else "free disk space, or move the file to a larger disk",
    )


# --- broker and store -----------------------------------------------------------------------


def broker(settings: BrokerSettings | None, *, client_id: str | None = None) -> Finding:
    """Does the broker let us in? Leaves no session behind, and one of this ``client_id`` as it
    was."""
    if settings is None:
        return Finding("broker", "left out", "none is configured: nothing is published")
    if client_id is None:
        settings = replace(settings, session_expiry_s=0)
        client_id = f"platelink-doctor-{secrets.token_hex(4)}"
    link = link_to(settings, client_id=client_id)
    where = f"{settings.host}:{settings.port}"
    began = time.monotonic()
    try:
        link.connect()
        while time.monotonic() - began < BROKER_WAIT_S:
            for event in link.poll(0.1):
                if isinstance(event, Connected):
                    took_ms = (time.monotonic() - began) * 1000.0
                    return Finding(
                        "broker", "ok", f"{where} accepted the sign-in after {took_ms:.0f} ms"
                    )
                if isinstance(event, ConnectionLost):
                    return fault("broker", BrokerError(f"{where}: {event.reason}"))
    except (BrokerError, OSError, ValueError) as error:
        return fault("broker", error)
    finally:
        link.close()
    text = f"{where} accepted the connection but did not answer"
    advice = "check that this is an MQTT 5 broker, and whether its port wants TLS"
    return Finding("broker", "wrong", text, f"an answer within {BROKER_WAIT_S:g} s", advice)


def store(section: StoreSection | None, settings: StoreSettings | None) -> Finding:
    """Does the store answer, and does it say since when it runs?"""
    if section is None or settings is None:
        return Finding("store", "left out", "none is configured")
    client = Store(settings)
    began = time.monotonic()
    try:
        state = client.state()
    except StoreLost as error:
        return fault("store", error)
    finally:
        client.close()
    took_ms = (time.monotonic() - began) * 1000.0
    answered = f"{settings.url} answered in {took_ms:.0f} ms"
    if state.start is None and section.confirm == "restart":
        return Finding(
            "store",
            "wrong",
            f"{answered} but does not report its start time",
            'a start time, for [store] confirm = "restart"',
            'set [store] confirm = "hold" if the store flushes to disk before it answers',
        )
    if state.start is None:
        return Finding(
            "store", "ok", f"{answered}; start time not reported, rows are kept for hold_s"
        )
    since = datetime.fromtimestamp(state.start, UTC)
    text = f"{answered}, runs since {since:%Y-%m-%d %H:%M:%S} UTC"
    if state.rows_refused:
        return Finding(
            "store",
            "notice",
            f"{text}, has dropped {state.rows_refused} rows after accepting them",
            "0 rows",
            "see its log for what was wrong with them",
        )
    return Finding("store", "ok", text)
