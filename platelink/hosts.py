"""Names of hosts as requests carry them. Pure."""

from __future__ import annotations

from urllib.parse import urlsplit


def host_name(netloc: str) -> str | None:
    """The name in ``name:port`` or ``[address]:port``, lower case; None when it is none."""
    try:
        parts = urlsplit(f"//{netloc}")
        parts.port  # noqa: B018 -- raises for a port that is none
    except ValueError:
        return None
    if parts.netloc != netloc or parts.username is not None or not parts.hostname:
        return None
    return parts.hostname.rstrip(".")
