"""Time stamps of checkpoints (RFC 3161). The only import of rfc3161_client, an optional extra."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from platelink.evidence.keys import certificates_of
from platelink.evidence.wrong import EvidenceError
from platelink.extras import installing

if TYPE_CHECKING:
    from rfc3161_client import TimeStampRequest, TimeStampResponse

TYPE_ASKED, TYPE_ANSWERED = "application/timestamp-query", "application/timestamp-reply"
"""Media types (RFC 3161, 3.4)."""
MOST_BYTES = 100_000
"""Of an answer: some certificates and a signature."""
NOT_INSTALLED = (
    "time stamps need the extra 'stamps' (or openssl alone, as in docs/evidence.md); "
    f"{installing('stamps')}"
)


def asked_for(data: bytes) -> tuple[bytes, TimeStampRequest]:
    """What is sent to the authority, and what its answer is compared with."""
    library = _library()
    made = (
        library.TimestampRequestBuilder()
        .data(data)
        .hash_algorithm(library.HashAlgorithm.SHA256)
        .cert_request(cert_request=True)
        .build()
    )
    return made.as_bytes(), made


def answer_to(request: TimeStampRequest, answer: bytes) -> datetime:
    """The time that an authority's answer to this request states; whether it holds is another
    matter (``stamped_at``). ``EvidenceError`` for an answer to anything else."""
    found = _read(answer)
    imprint = found.tst_info.message_imprint
    asked = request.message_imprint
    same = (imprint.message, imprint.hash_algorithm) == (asked.message, asked.hash_algorithm)
    if not same or found.tst_info.nonce != request.nonce:
        raise EvidenceError("the authority answered another request than ours")
    return _time(found)


def stamped_at(answer: bytes, data: bytes, roots: bytes) -> datetime:
    """When these bytes were there, by an authority that one of the certificates (PEM) answers for.
    ``EvidenceError`` where that does not hold."""
    library, found = _library(), _read(answer)
    builder = library.VerifierBuilder()
    for certificate in certificates_of(roots):
        builder = builder.add_root_certificate(certificate)
    try:
        builder.build().verify_message(found, data)
    except (library.VerificationError, ValueError) as error:
        if found.tst_info.message_imprint.message != hashlib.sha256(data).digest():
            raise EvidenceError("the time stamp is of another checkpoint") from None
        raise EvidenceError(
            f"the time stamp does not hold under this authority's certificate ({error!s:.200})"
        ) from None
    return _time(found)


def _read(answer: bytes) -> TimeStampResponse:
    library = _library()
    if len(answer) > MOST_BYTES:
        raise EvidenceError("the time stamp is longer than any")
    try:
        found: TimeStampResponse = library.decode_timestamp_response(answer)
        status, said = found.status, ", ".join(found.status_string)
    except ValueError as error:
        raise EvidenceError(
            f"this is no time stamp that can be read here ({error!s:.100}); try openssl ts -verify"
        ) from None
    if status != 0:  # granted; with changes that nobody asked for is not taken
        raise EvidenceError(f"the authority refused ({said or status})")
    return found


def _time(found: TimeStampResponse) -> datetime:
    return found.tst_info.gen_time.astimezone(UTC)


def _library() -> Any:
    try:
        import rfc3161_client  # noqa: PLC0415 -- an optional extra
    except ImportError:
        raise EvidenceError(NOT_INSTALLED) from None
    return rfc3161_client
