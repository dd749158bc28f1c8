"""What the page is started with."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class PageSettings:
    """One page of one unit."""

    service: Path
    """The service's Unix socket."""

    names: tuple[str, ...] = ()
    """Names and addresses it is opened by, beside those of loopback."""

    display: Mapping[str, str] = field(
        default_factory=lambda: {
            "dose": "mJ/cm2", "irradiance": "mW/cm2", "vacuum": "kPa", "temperature": "degC",
        }
    )  # fmt: skip
    """Units to show, as in the configuration's section ``display``."""

    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True)
class Begin:
    """What the page's process is told at its start."""

    settings: PageSettings
    listener: int
    """A socket that is bound already, by its number in this process."""

    address: str
    """To be said once requests are answered."""

    def socket(self) -> socket.socket:
        """The listener."""
        return socket.socket(fileno=self.listener)


def listen(host: str, port: int) -> socket.socket:
    """A bound socket; port 0 takes a free one. ``OSError`` when it cannot be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # With its protocol named: only then does asyncio send small answers at once, not 40 ms later.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError:
        listener.close()
        raise
    return listener
