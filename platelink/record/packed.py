"""Samples of runs fetched as they are stored, to be decoded wherever there is time for it."""

from __future__ import annotations

from collections.abc import Sequence

from platelink.codec import Pick
from platelink.ledger.database import Row
from platelink.record.reader import JournalReader
from platelink.record.removed import removed_of
from platelink.record.rows import PackedRun


def packed_runs(journal: JournalReader, run_ids: Sequence[str], pick: Pick) -> list[PackedRun]:
    """Of each of these runs, some hundred at most."""
    marks = ", ".join("?" * len(run_ids))
    rows: dict[str, list[Row]] = {run_id: [] for run_id in run_ids}
    for run_id, *row in journal.rows(
        f"SELECT run_id, number, body, {journal.chunk_sql} FROM entries "  # noqa: S608 -- marks only
        f"WHERE run_id IN ({marks}) AND kind = 'samples'", *run_ids,
    ):  # fmt: skip
        rows[run_id].append(tuple(row))
    sql = f"SELECT run_id, body FROM chunks WHERE run_id IN ({marks})"  # noqa: S608
    chunks: dict[str, bytes] = dict(journal.rows(sql, *run_ids)) if journal.has_chunks else {}
    return [
        PackedRun(
            journal.path, run_id, pick, sorted(rows[run_id], key=_by_number), chunks.get(run_id),
            removed=run_id not in chunks and removed_of(journal, run_id) is not None,
        )
        for run_id in run_ids
    ]  # fmt: skip


def _by_number(row: Row) -> int:
    number: int = row[0]
    return number
