"""Whether an authority time-stamps what is sealed, where one is configured."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from platelink.config.model import Config
from platelink.contract.unit import Status
from platelink.doctor.findings import Finding
from platelink.evidence.beside import log_path
from platelink.evidence.log import SealLog
from platelink.evidence.stamped import Stamps
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError

_LATE = timedelta(hours=1)
_WHAT_TO_DO = (
    "look whether this computer reaches the authority (docs/evidence.md, Time stamps); the daemon "
    "asks again by itself, and one stamp then holds for all of them"
)


def stamps(config: Config, status: Status | None, now: datetime) -> Iterator[Finding]:
    """Seals that have no stamp for long. What is damaged in the log is told elsewhere."""
    path = log_path(config.journal.path)
    if config.stamping is None or not path.exists():
        return
    why = status.journal.notice if status is not None else "no daemon runs, which would ask for it"
    try:
        with SealLog.open(path, read_only=True) as log:
            size, stamped = log.size(), Stamps(log.database).newest_size()
            first = log.leaves(after=stamped - 1, limit=1)
    except (StoreError, EvidenceError):
        return
    since = first[0].seal.sealed_utc if first else ""
    if not since or now - datetime.fromisoformat(since) < _LATE:
        yield Finding("stamps", "ok", f"{stamped} of {size} seals are time-stamped")
        return
    told = f"; {why}" if why else ""
    yield Finding(
        "stamps", "notice", f"{size - stamped} seals since {since} have no time stamp{told}",
        "each within an hour", _WHAT_TO_DO,
    )  # fmt: skip
