"""Reports and labels of records. One at a time: setting a page takes some 100 MB for a second."""

from __future__ import annotations

import threading

from platelink.api.errors import ApiError
from platelink.evidence.beside import known_of, log_path
from platelink.evidence.log import SealLog
from platelink.evidence.told import HTML, PDF
from platelink.evidence.whole import whole_of
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.report.sheet import label_lines
from platelink.report.typeset import label_of

_SETTING = threading.Lock()


def report_of(reader: JournalReader, record: RunRecord, form: str, page: str) -> tuple[str, bytes]:
    """The name of what is sealed, and its report, "pdf" or "html"; ``page`` is the address of the
    unit's page. ``ApiError`` says why there is none."""
    leaf = known_of(reader.path, record).leaf
    if leaf is None:
        raise ApiError(
            f"{record.start.run_id} is not sealed yet: it is sealed some seconds after all of it "
            "has ended",
            "refused",
        )
    try:
        with SealLog.open(log_path(reader.path), read_only=True) as log, _SETTING:
            told = whole_of(log, reader, leaf, page).told
    except (EvidenceError, StoreError, LookupError) as error:
        raise ApiError(str(error), "fault") from None
    path = {"pdf": PDF, "html": HTML}[form]
    if path not in told:
        raise ApiError(f"this release cannot read {leaf.seal.name} as a run", "fault")
    return leaf.seal.name, told[path]


def label_for(record: RunRecord) -> bytes:
    """A plate's label. ``ApiError`` for what is no plate."""
    told = record.summary
    if told.kind != "plate":
        raise ApiError(f"{told.run_id} is no plate", "refused")
    title, *lines = label_lines(told)
    with _SETTING:
        return label_of(title, lines, told.run_id, record.start.at_utc)
