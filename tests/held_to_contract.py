"""Holds JSON of the product against its model: no key more, none fewer, in the same order."""

from __future__ import annotations

import difflib
import json
from typing import Any, TypeVar

from pydantic import BaseModel

_M = TypeVar("_M", bound=BaseModel)


def held(model: type[_M], document: Any) -> _M:
    found = model.model_validate(document, extra="forbid")
    again, told = lines(found.model_dump(mode="json")), lines(document)
    assert again == told, "\n".join(difflib.unified_diff(told, again, n=1))
    return found


def lines(document: Any) -> list[str]:
    """One line for each key; 0 is the same as 0.0."""
    return json.dumps(json.loads(json.dumps(document), parse_int=float), indent=1).splitlines()
