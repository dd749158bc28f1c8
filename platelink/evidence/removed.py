"""Whether the seal of a record still holds whose samples were removed by retention."""

from __future__ import annotations

from platelink.evidence.beside import known_of
from platelink.evidence.seal import sum_of
from platelink.evidence.sources import JournalRecords
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.ledger.readable import WRONG
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord


def seal_holds(reader: JournalReader, run: RunRecord) -> bool:
    """Compared now: all that is left of the run's record is what was sealed, nothing else is gone,
    and the sum that was sealed is the one that the removal was told with. False without removal."""
    leaf = known_of(reader.path, run).leaf
    if leaf is None or run.removed is None:
        return False
    try:
        record = JournalRecords(reader, leaf.source).record(leaf.seal.kind, leaf.seal.name)
        same_sum = sum_of(leaf.manifest) == leaf.seal.manifest_sha256
        told_so = leaf.seal.manifest_sha256 == run.removed.manifest_sha256
        return same_sum and told_so and record.as_sealed(leaf.manifest)
    except (EvidenceError, StoreError, *WRONG):
        return False
