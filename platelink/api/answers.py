"""Answers as bytes: JSON that is always UTF-8 and never holds NaN."""

from __future__ import annotations

import json
import math
from typing import Any

from starlette.responses import JSONResponse

from platelink.api.errors import ApiError


class Json(JSONResponse):
    """A JSON answer of plain values; what is not a number is null."""

    def render(self, content: Any) -> bytes:
        return json.dumps(finite(content), allow_nan=False, separators=(",", ":")).encode()


def finite(value: Any) -> Any:
    """A JSON value in which NaN and infinity are None."""
    if isinstance(value, dict):
        return {key: finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [finite(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def refused(error: ApiError) -> Json:
    """The answer of an error."""
    return Json(error.body(), error.status, headers=error.headers)
