"""A bundle: one sealed record as a BagIt folder (RFC 8493), and its check.

The folder is made of few parts, and whoever checks it makes it again of the parts found in it: a
byte that differs stands in one file, which is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from platelink.evidence.cosign import Cosigned, cosigned_by, counting, lacking
from platelink.evidence.keys import Verifier
from platelink.evidence.note import Checkpoint, Proof, read_proof
from platelink.evidence.report import written_by
from platelink.evidence.seal import (
    RECORD,
    Files,
    Seal,
    manifest_of,
    read_manifest,
    read_seal,
    sum_of,
)
from platelink.evidence.stamp import stamped_at
from platelink.evidence.told import BESIDE, PDF, REPORT, TOLD, told_of
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.readable import WRONG

MANIFEST, TAGS = "manifest-sha256.txt", "tagmanifest-sha256.txt"
SEAL, PROOF, CHECKPOINT = "seal.json", "seal.tlog-proof", "checkpoint"
PEM, VKEY, STAMP = "log.pem", "log.vkey", "checkpoint.tsr"
_BAGIT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def bundle_of(
    payload: Files, seal: Seal, proof: Proof, key: Verifier, *, told: Files,
    stamp: bytes | None = None,
) -> dict[str, bytes]:  # fmt: skip
    """All files of a bundle by path. ``payload`` lies below ``data/``; ``told`` are its reports;
    ``stamp`` is a time stamp of the checkpoint (RFC 3161)."""
    octets = sum(map(len, payload.values()))
    tags = {
        "bagit.txt": _BAGIT,
        "bag-info.txt": f"External-Identifier: {seal.kind} {seal.name}\n"
        f"Payload-Oxum: {octets}.{len(payload)}\n".encode(),
        MANIFEST: manifest_of(payload),
        SEAL: seal.data,
        PROOF: proof.data,
        CHECKPOINT: proof.note.data,
        PEM: key.pem,
        VKEY: f"{key.text}\n".encode(),
        **told,
    }
    if stamp is not None:
        tags[STAMP] = stamp
    return {**payload, **tags, TAGS: manifest_of(tags)}


@dataclass(frozen=True, slots=True)
class BundleCheck:
    """What was found. ``problems`` is empty where all of it holds."""

    problems: tuple[str, ...]
    seal: Seal | None = None
    head: Checkpoint | None = None
    place: int | None = None
    notices: tuple[str, ...] = ()
    cosigned: tuple[Cosigned, ...] = ()
    """Which of the units whose keys were given cosigned the checkpoint, and when."""
    stamped_at: datetime | None = None
    """When an authority stamped the checkpoint; None where it is not stamped, or was not looked at.
    """


def check_bundle(
    files: Files, key: Verifier, *, reports: bool = True, others: Sequence[Verifier] = (),
    needed: int = 0, now: datetime | None = None, tsa: bytes | None = None,
) -> BundleCheck:  # fmt: skip
    """Whether the record in a bundle is what was sealed under this key, which has come from
    elsewhere; with ``reports``, which takes longer, also whether these tell the record. ``needed``
    of the ``others``, given by the keys of their logs, must have cosigned it; what is dated after
    ``now`` does not count. ``tsa``: certificates (PEM) of the authority that stamped it."""
    try:
        seal = read_seal(_file(files, SEAL))
    except EvidenceError as error:
        return BundleCheck((str(error),))
    try:
        proof = read_proof(_file(files, PROOF))
    except EvidenceError as error:
        return BundleCheck((f"{PROOF}: {error}",), seal)
    problems = list(dict.fromkeys(_problems(files, key, seal, proof)))
    head = None
    try:
        head = proof.must_hold(seal.leaf)
    except EvidenceError as error:
        problems.insert(0, str(error))
    counted: list[Cosigned] = []
    notices: list[str] = []
    others = [one for one in others if one.name != key.name]  # nobody is their own witness
    try:
        counted, notices = counting(cosigned_by(proof.note, others), seal.sealed_utc, now)
        problems += lacking(counted, others, needed)
    except EvidenceError as error:
        problems.append(str(error))
    stamped = None
    if STAMP in files and tsa is not None:
        try:
            stamped = stamped_at(files[STAMP], files.get(CHECKPOINT, b""), tsa)
        except EvidenceError as error:
            problems.append(f"{STAMP}: {error}")
    elif STAMP in files:
        notices.append(
            f"{STAMP} was not looked at: give the authority's certificate with --tsa, or see "
            "openssl ts -verify in docs/evidence.md"
        )
    elif tsa is not None:
        notices.append(f"no {STAMP} is there")
    notices += _notices(files, seal, proof, key) if reports and not problems else []
    return BundleCheck(
        tuple(problems), seal, head, proof.index, tuple(notices), tuple(counted), stamped
    )


def _file(files: Files, path: str) -> bytes:
    if path not in files:
        raise EvidenceError(f"{path} is missing")
    return files[path]


def _problems(files: Files, key: Verifier, seal: Seal, proof: Proof) -> Iterator[str]:
    try:
        if not proof.note.signed_by([key]):
            signers = ", ".join(f"{one.name} ({one.key_id.hex()})" for one in proof.note.signatures)
            yield f"the checkpoint is signed by {signers}, not by {key.name} ({key.id.hex()})"
    except EvidenceError as error:
        yield str(error)
    if not proof.note.text.startswith(key.name + "\n"):
        yield f"the checkpoint is of another log than {key.name}"
    manifest = files.get(MANIFEST, b"")
    if sum_of(manifest) != seal.manifest_sha256:
        yield f"{MANIFEST} is not the one that was sealed"
    payload = {path: data for path, data in files.items() if path.startswith("data/")}
    try:
        sums = read_manifest(manifest)
    except EvidenceError as error:
        yield str(error)
        sums = {}
    for path in sorted(sums.keys() | payload.keys()):
        if path not in payload:
            yield f"{path} is missing"
        elif path not in sums:
            yield f"{path} was not sealed: it was put in"
        elif sums[path] != sum_of(payload[path]):
            yield f"{path} is not what was sealed"
    told = {REPORT: b""} | {path: files[path] for path in TOLD if path in files}
    again = bundle_of(payload, seal, proof, key, told=told, stamp=files.get(STAMP))
    changed = [path for path in again if files.get(path) != again[path] and path != TAGS]
    for path in changed:
        yield f"{path} is {'changed' if path in files else 'missing'}"
    for path in sorted(files.keys() - again.keys()):
        yield f"{path} does not belong here"
    if not changed and files.get(TAGS) != again[TAGS]:
        yield f"{TAGS} is changed, or {_unfit(files)}"


def _unfit(files: Files) -> str:
    """Which of the files that nobody signed are not as the manifest of them says."""
    lines = files.get(TAGS, b"").splitlines()
    own = [
        path for path in (*TOLD, STAMP)
        if (f"{sum_of(files[path])}  {path}".encode() not in lines if path in files
            else any(line.endswith(f"  {path}".encode()) for line in lines))
    ]  # fmt: skip
    return ", ".join(own) or "one that it names is gone"


def _notices(files: Files, seal: Seal, proof: Proof, key: Verifier) -> Iterator[str]:
    """Whether the reports, which nobody signed, tell the record."""
    payload = {path: data for path, data in files.items() if path.startswith("data/")}
    try:
        again = told_of(payload, seal, proof, key, beside=files.get(BESIDE))
    except WRONG as error:
        yield f"{RECORD} is as it was sealed, and this release cannot read it ({error!r:.80})"
        return
    same_release = written_by(files[REPORT]) == written_by(again[REPORT])
    for path in TOLD:
        if path == BESIDE or files.get(path, again.get(path)) == again.get(path):
            continue
        if not same_release:
            yield f"{path} is of another release and was not compared; {RECORD} counts"
        elif path == PDF:
            yield (
                f"{path} is not what this computer makes of the sealed record (other fonts set "
                f"another page); read {RECORD} itself"
            )
        else:
            yield f"{path} does not tell the sealed record; read {RECORD} itself"
