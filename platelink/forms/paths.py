"""Keys that are paths of other files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo


def _path(value: Any, info: ValidationInfo) -> Any:
    """Paths of a file are relative to the file."""
    if not isinstance(value, str) or not value:
        return value
    base = (info.context or {}).get("base", Path())
    return Path(base) / Path(value).expanduser()


PathKey = Annotated[Path, BeforeValidator(_path)]
