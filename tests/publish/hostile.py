"""Messages as broken programs and strangers may send them: entries changed at random, by a seed."""

from __future__ import annotations

import json
import random
from copy import deepcopy
from typing import Any

from publish import publish_samples as ps

from platelink.publish.payloads import payload_of
from platelink.publish.topics import Topics
from platelink.runs import AnyEntry, RunSamples

HUGE = 10**400
_DEEP = "deep below: replaced in the text"
_DIGITS = "more digits than are read: replaced in the text"
_SURROGATE = "half a character: replaced in the text"
_IN_TEXT = {
    f'"{_DEEP}"': "[" * 5000 + "]" * 5000,
    f'"{_DIGITS}"': "9" * 6000,
    f'"{_SURROGATE}"': '"\\ud800"',
}
EXTREMES: tuple[Any, ...] = (
    2**53, 2**63 - 1, 2**63, -(2**63) - 1, 2**64, HUGE, -HUGE, 0, -1, 1.5, 1e308, -1e-320,
    float("nan"), float("inf"), float("-inf"), "", "0", "x" * 70_000, "a\x00b", 'a"b\\,= c\n',
    "\N{GRINNING FACE}", _SURROGATE, _DEEP, _DIGITS, None, True, [], {}, [[]], [None] * 50,
    {"": None}, ["1"] * 20, "2026-01-02T03:04:05Z", "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00", ps.AT_MS + 47 * 3_600_000, ps.AT_MS - 10**12,
)  # fmt: skip


def _paths(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            found += _paths(inner, (*path, key))
    return found


def _changed(value: Any, rng: random.Random) -> None:
    """Change the value of one field, anywhere, or take it out, or put one in."""
    path = rng.choice(_paths(value))
    for step in path[:-1]:
        value = value[step]
    match rng.randrange(8):
        case 0:
            del value[path[-1]]
        case 1 if isinstance(value, dict):
            value[rng.choice(("new", "", "id", "kind", "first_sample", "dose mj"))] = 1
        case 2 if isinstance(value[path[-1]], list | str):
            value[path[-1]] = value[path[-1]] * rng.choice((0, 2, 40))
        case _:
            value[path[-1]] = deepcopy(rng.choice(EXTREMES))


def _cut(payload: bytes, rng: random.Random) -> bytes:
    """Bytes changed, left out, put in, or doubled."""
    data = bytearray(payload)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(4):
            case 0:
                data[at : at + 1] = rng.randbytes(1)
            case 1:
                del data[at : at + rng.choice((1, 7, 300))]
            case 2:
                data[at:at] = rng.randbytes(rng.choice((1, 7)))
            case _:
                data[at:at] = data[at : at + 200]
    return bytes(data)


def message(entry: AnyEntry, unit: str, rng: random.Random) -> tuple[str, bytes]:
    """Topic and payload of one message that ``unit`` may send: anything on a topic of its own."""
    number = rng.choice((rng.randrange(10**6), rng.randrange(40)))  # also those that others send
    own = entry.model_copy(update={"unit": unit, "id": ps.entry_id(number)})
    topic = Topics(ps.SITE, unit).of(own)
    data = json.loads(own.model_dump_json())
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        if _paths(data):
            _changed(data, rng)
    text = json.dumps(data)
    for mark, instead in _IN_TEXT.items():
        text = text.replace(mark, instead)
    payload = text.encode()
    if isinstance(own, RunSamples) and rng.random() < 0.3:
        payload = payload_of(own, blocks=True)
    if rng.random() < 0.2:
        payload = _cut(payload, rng)
    if rng.random() < 0.05:
        topic = rng.choice((
            topic + "/more", topic.upper(), f"platelink/v1/{ps.SITE}/{unit}/run//start", "",
            topic.replace("/run/", "/run/\x00"), f"platelink/v1/{ps.SITE}/{unit}/status",
        ))  # fmt: skip
    return topic, payload
