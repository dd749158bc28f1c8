"""When certificates end, for whoever watches over them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from platelink.serving.figure import Figure


def of_certificates(paths: Iterable[Path | str | None]) -> Figure:
    """The first certificate of each file (PEM). One that cannot be read has no value: whatever
    uses it says so."""
    return Figure(
        "platelink_certificate_expires_timestamp_seconds",
        "When the certificate in the file ends, seconds since 1970.",
        [({"file": Path(path).name}, _end_s(Path(path))) for path in paths if path is not None],
    )


def _end_s(path: Path) -> float | None:
    # Heavy, and most have no certificate.
    from cryptography.x509 import load_pem_x509_certificate  # noqa: PLC0415

    try:
        return load_pem_x509_certificate(path.read_bytes()).not_valid_after_utc.timestamp()
    except (OSError, ValueError):
        return None
