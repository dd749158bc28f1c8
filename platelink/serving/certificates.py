"""When certificates end, for whoever watches over them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from platelink.serving.figure import Figure


class Certificate(NamedTuple):
    """A file as it was when it was read."""

    path: Path
    pem: bytes


def read(*paths: Path | str | None) -> list[Certificate]:
    """Those that are there. Who serves one reads it at its start: that one is served, whatever
    lies there later."""
    return [Certificate(Path(path), _bytes(Path(path))) for path in paths if path is not None]


def of_certificates(found: Iterable[Certificate]) -> Figure:
    """The first certificate of each file (PEM). One that cannot be read has no value: whatever
    uses it says so."""
    return Figure(
        "platelink_certificate_expires_timestamp_seconds",
        "When the certificate in the file ends, seconds since 1970.",
        [({"file": str(path)}, _end_s(pem)) for path, pem in dict.fromkeys(found)],
    )


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _end_s(pem: bytes) -> float | None:
    # Heavy, and most have no certificate.
    from cryptography.x509 import load_pem_x509_certificate  # noqa: PLC0415

    try:
        return load_pem_x509_certificate(pem).not_valid_after_utc.timestamp()
    except ValueError:
        return None
