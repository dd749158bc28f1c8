"""The reports of a bundle. Nobody signs them: they are made of what is sealed, and of the entries
beside it, and can be made again."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING, Any

from platelink import __version__
from platelink.canonical import canonical
from platelink.evidence.content import plain
from platelink.evidence.keys import Verifier
from platelink.evidence.note import Proof, read_checkpoint
from platelink.evidence.report import report_of
from platelink.evidence.seal import RECORD, Files, Seal, manifest_of
from platelink.ledger.readable import WRONG

if TYPE_CHECKING:
    from platelink.report.sheet import Sheet

REPORT, HTML, PDF, BESIDE = "report.txt", "report.html", "report.pdf", "report.json"
TOLD = (REPORT, HTML, PDF, BESIDE)


def beside_of(events: Sequence[dict[str, Any]], address: str) -> bytes:
    """What the reports tell beside the record: entries as they are stored, and where the
    unit's page is served; empty where nowhere."""
    return canonical(plain({"address": address, "events": list(events)}))


def told_of(
    payload: Files, seal: Seal, proof: Proof, key: Verifier, *, beside: bytes | None,
    manifest: bytes = b"", removed: str = "",
) -> dict[str, bytes]:  # fmt: skip
    """All reports by path. What this release cannot read as a run is told as a text only.
    ``removed``: why samples are not there any more; ``manifest`` is of before."""
    found = {REPORT: report_of(payload[RECORD])}
    if beside is not None:
        found[BESIDE] = beside
    from platelink.report.page import html_of  # noqa: PLC0415 -- 10 MB until one is made
    from platelink.report.typeset import pdf_of  # noqa: PLC0415 -- as above

    with suppress(*WRONG):
        sheet = _sheet(
            payload, seal, proof, key, beside=json.loads(beside or b"{}"), removed=removed
        )
        attached = {
            "record.json": payload[RECORD], "manifest-sha256.txt": manifest or manifest_of(payload),
            "seal.json": seal.data, "seal.tlog-proof": proof.data, "log.pem": key.pem,
        }  # fmt: skip
        sealed = datetime.fromisoformat(seal.sealed_utc)
        found |= {HTML: html_of(sheet), PDF: pdf_of(sheet, attached, sealed)}
    return found


def _sheet(
    payload: Files, seal: Seal, proof: Proof, key: Verifier, *, beside: dict[str, Any],
    removed: str,
) -> Sheet:  # fmt: skip
    from platelink.report.sheet import SealTold, sheet_of  # noqa: PLC0415 -- as above

    head = read_checkpoint(proof.note)
    told = SealTold(
        seal.sealed_utc, seal.leaf.hex(), proof.index, head.origin, head.size,
        base64.b64encode(head.root).decode(), key.text,
    )  # fmt: skip
    return sheet_of(
        payload, payload[RECORD], told, beside=beside.get("events", ()),
        address=str(beside.get("address", "")), release=__version__, removed=removed,
    )  # fmt: skip
