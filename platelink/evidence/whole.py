"""A sealed record of this unit with all that is said of it, as bundles and reports have it."""

from __future__ import annotations

from typing import NamedTuple

from platelink.evidence.keys import Verifier
from platelink.evidence.log import Leaf, SealLog
from platelink.evidence.note import Proof
from platelink.evidence.seal import Files
from platelink.evidence.sources import JournalRecords
from platelink.evidence.told import beside_of, told_of
from platelink.evidence.wrong import EvidenceError
from platelink.record.reader import JournalReader


class Whole(NamedTuple):
    """``told`` are the reports by path; ``payload`` lies below ``data/``."""

    payload: Files
    proof: Proof
    key: Verifier
    told: dict[str, bytes]
    removed: str
    """Why samples are not in the payload any more; empty where all are."""


def whole_of(log: SealLog, reader: JournalReader, leaf: Leaf, address: str) -> Whole:
    """Of one leaf; ``EvidenceError`` where the record is not what was sealed. ``address``: where
    the unit's page is served; empty where nowhere."""
    record = JournalRecords(reader, leaf.source).record(leaf.seal.kind, leaf.seal.name)
    run = reader.run(leaf.seal.name)
    if not record.as_sealed(leaf.manifest) or run is None:
        raise EvidenceError(
            f"{leaf.seal.kind} {leaf.seal.name} is not what was sealed; see platelink verify "
            f"{leaf.seal.name}"
        )
    beside = beside_of(JournalRecords(reader).beside(run), address)
    proof, key = log.proof(leaf.place), log.keys()[-1]
    told = told_of(
        record.files, leaf.seal, proof, key, beside=beside, manifest=leaf.manifest,
        removed=record.removed,
    )  # fmt: skip
    return Whole(record.files, proof, key, told, record.removed)
