"""Bodies that are JSON and would take memory, or digits, or depth: refusals, never faults."""

from __future__ import annotations

import json
import tracemalloc
from pathlib import Path

import pytest

from api.api_shop import LEAD, shop
from platelink.contract.base import DEEP, GREAT

MEMORY_BYTES = 24 << 20


def deep(levels: int) -> bytes:
    return b'{"values": ' + b'{"a": ' * levels + b"1" + b"}" * levels + b"}"


BODIES = {
    "lists in each other": b"[" * 200_000,
    "objects in each other": b'{"a":' * 40_000,
    "values in each other": deep(DEEP + 1),
    "values deep in each other": deep(900),
    "a number without end": b'{"values": {"a": ' + b"9" * 200_000 + b"}}",
    "a long number": b'{"values": {"a": ' + b"9" * 4000 + b"}}",
    "a number that is just too great": json.dumps({"values": {"a": GREAT + 1}}).encode(),
    "no number": b'{"values": {"a": NaN}}',
    "an infinite number": b'{"values": {"a": [1e999]}}',
    "half a character": b'{"reason": "\\ud800"}',
    "no text at all": b"\x00\xff",
    "nothing": b"",
}


@pytest.fixture(scope="module")
def lead(tmp_path_factory: pytest.TempPathFactory) -> object:
    directory: Path = tmp_path_factory.mktemp("bodies")
    with shop(directory, people=True) as this:
        browser = this.browser(LEAD)
        browser.headers["content-type"] = "application/json"
        yield this, browser
        browser.close()


@pytest.mark.parametrize("name", BODIES)
def test_it_is_refused_and_says_what_to_do(lead: object, name: str) -> None:
    this, browser = lead  # type: ignore[misc]
    for path in ("/v1/plates/p/measure", "/v1/plates/p/hold", "/v1/recipe-check", "/v1/sign-in"):
        tracemalloc.start()
        answer = browser.post(path, content=BODIES[name])
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert answer.status_code in (400, 422), (path, answer.text)
        problem = answer.json()
        assert problem["kind"] == "misuse" and len(problem["error"]) > 10
        assert peak < MEMORY_BYTES
    assert this.daemon.asked == []


def test_what_is_measured_goes_through(lead: object) -> None:
    this, browser = lead  # type: ignore[misc]
    values = {"points": {"large area": 31.5}, "checks": {"dots": True}, "note": "n", "n": GREAT}
    assert browser.post("/v1/plates/p/measure", json={"values": values}).status_code == 200
    assert browser.post("/v1/plates/p/measure", content=deep(DEEP - 1)).status_code == 200
    assert this.daemon.asked.pop(0)["values"] == values
