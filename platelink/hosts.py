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


def origin_place(origin: str) -> str | None:
    """Host and port of an origin, lower case; None when it is none, as ``null`` and ``http://[``."""
    try:
        parts = urlsplit(origin.lower())
    except ValueError:
        return None
    return parts.netloc if parts.scheme in ("http", "https") and parts.netloc else None
