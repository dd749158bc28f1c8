"""Calls of the core as JSON, made from the types of its methods.

Floats come back to the bit (shortest decimal form), also those that are no number.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, get_type_hints

from pydantic import TypeAdapter

from platelink.sensing.calibration import Calibration
from platelink.unit.core import Core
from platelink.unit.stamp import Stamp

Held = Mapping[str, Calibration]
HELD: TypeAdapter[dict[str, Calibration]] = TypeAdapter(dict[str, Calibration])
TAKE_UP, RECOVERING, OUTSIDE = "take_up", "recovering", "outside"
CALLS = (
    "port_opened", "port_lost", "ask_device", "flush", "expose", "start", "withdraw", "command",
    "make_plate", "withdraw_plate", "act", "resume_plate", "exposure_before",
    "exposure_recovered", "bake_unrecorded", "alarm", OUTSIDE, "resume_alarms",
    "instrument",
)  # fmt: skip
"""Methods that a tape takes as they are. Bytes, time and what is written have a kind of their own,
``take_up`` and ``recovering`` a name."""
_CLOCKS = ("at", "now")
"""Parameters that the record's stamp tells."""


@cache
def _method(name: str) -> tuple[inspect.Signature, dict[str, TypeAdapter[Any]]]:
    method = getattr(Core, name)
    hints = get_type_hints(method)
    signature = inspect.signature(method)
    names = [p for p in signature.parameters if p != "self" and p not in _CLOCKS]
    return signature, {p: TypeAdapter(hints[p]) for p in names}


def text_of(name: str, given: Mapping[str, Any]) -> bytes:
    """The JSON of a call."""
    return json.dumps([name, given], separators=(",", ":")).encode()


def call_of(name: str, core: Core, *args: Any, **kwargs: Any) -> bytes:
    """The JSON of a call with these arguments."""
    signature, adapters = _method(name)
    given = signature.bind(core, *args, **kwargs).arguments
    return text_of(
        name,
        {p: adapters[p].dump_python(v, mode="json") for p, v in given.items() if p in adapters},
    )


def read_call(body: bytes) -> tuple[str, dict[str, Any]]:
    """Name and plain values of a call. ValueError: it is none."""
    name, given = json.loads(body)
    if not (isinstance(name, str) and isinstance(given, dict)):
        raise ValueError("no call")
    return name, given


def bound(
    name: str, core: Core, given: Mapping[str, Any], at: Stamp
) -> tuple[Callable[[], Any], dict[str, Any]]:
    """The call on this core, and its values. ValueError: this release has no such call."""
    if name not in CALLS:
        raise ValueError(f"this release knows no input {name!r}")
    signature, adapters = _method(name)
    values = {p: adapters[p].validate_python(v) for p, v in given.items()}
    if "at" in signature.parameters:
        values["at"] = at
    if "now" in signature.parameters:
        values["now"] = at.now
    return lambda: getattr(core, name)(**values), values
