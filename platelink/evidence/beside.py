"""The log of seals that lies beside a journal: where, and what it says of a run."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, NamedTuple

from platelink.contract.runs import Sealed
from platelink.evidence.audit import audit_log
from platelink.evidence.keys import Verifier
from platelink.evidence.log import Leaf, SealLog
from platelink.evidence.note import Note
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.record.stored import RunRecord


def log_path(journal: Path) -> Path:
    """The log's file."""
    return journal.with_suffix(".seals")


def key_path(journal: Path) -> Path:
    """The file of the key that signs it."""
    return journal.with_suffix(".seals.key")


def imported_path(journal: Path) -> Path:
    """The store of records that were imported from other units."""
    return journal.with_suffix(".imported")


class Known(NamedTuple):
    """What the log says of a record; ``leaf`` is None where it is not sealed, ``head`` where there
    is no log."""

    leaf: Leaf | None
    head: Note | None
    key: Verifier | None


def known_of(journal: Path, run: RunRecord) -> Known:
    """Of a run, or of the plate that it is a part of. Errors are told by ``verify``: here such a
    log is none."""
    path = log_path(journal)
    if not path.exists():
        return Known(None, None, None)
    try:
        with SealLog.open(path, read_only=True) as log:
            leaf = log.find(("plate", "exposure"), run.start.run_id)
            if leaf is None and run.start.plate:
                leaf = log.find(("plate",), run.start.plate)
            return Known(leaf, log.head(), log.keys()[-1])
    except (StoreError, EvidenceError, IndexError):
        return Known(None, None, None)


def log_problem(journal: Path) -> str:
    """Why the log beside a journal is not whole; empty where it is, and where there is none."""
    path = log_path(journal)
    if not path.exists():
        return ""
    try:
        with SealLog.open(path, read_only=True) as log:
            return "; ".join(audit_log(log).problems[:3])
    except StoreError as error:
        return str(error)


def sealed_view(known: Known) -> Sealed:
    """The same as others are told."""
    leaf, head = known.leaf, known.head
    checkpoint = head.data.decode() if head is not None else None
    if leaf is None:
        state: Literal["not sealed", "no log"] = "not sealed" if head is not None else "no log"
        return Sealed(
            state=state, kind=None, name=None, index=None, sealed_utc=None, checkpoint=checkpoint
        )
    seal = leaf.seal
    return Sealed(
        state="sealed", kind=seal.kind, name=seal.name, index=leaf.place,
        sealed_utc=seal.sealed_utc, checkpoint=checkpoint,
    )  # fmt: skip


def seal_line(seal: Sealed) -> str:
    """In one line, for people."""
    if seal.state != "sealed":
        return "no log of seals lies beside it" if seal.state == "no log" else "not sealed yet"
    size = (seal.checkpoint or "").split("\n")[1:2]
    log = (seal.checkpoint or "").partition("\n")[0]
    return (
        f"{seal.kind} {seal.name}, sealed {seal.sealed_utc} as leaf {seal.index} of {log}, now "
        f"{''.join(size)} leaves; platelink verify compares"
    )
