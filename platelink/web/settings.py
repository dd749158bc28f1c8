"""What the page is started with."""

from __future__ import annotations

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
