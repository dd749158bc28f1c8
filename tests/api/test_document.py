"""The OpenAPI document: current, whole, and served as it stands in the file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.api_shop import shop
from platelink.api import docs
from platelink.api.access import ROWS

PLACE = Path(__file__).parents[2] / "docs/openapi.json"


def test_the_document_is_current(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert docs.main(["--check", str(PLACE)]) == 0
    old = tmp_path / "openapi.json"
    old.write_text("{}")
    assert docs.main(["--check", str(old)]) == 1
    assert "python -m platelink.api.docs" in capsys.readouterr().err
    assert docs.main([str(old)]) == 0
    assert old.read_text() == PLACE.read_text()
    assert docs.main([]) == 2


def test_the_service_answers_it_before_anybody_has_signed_in(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.browser() as browser:
        assert browser.get("/v1/openapi.json").json() == json.loads(PLACE.read_text())


def test_every_route_tells_its_right_its_answer_and_what_it_does() -> None:
    paths = json.loads(PLACE.read_text())["paths"]
    rights = set()
    for path, methods in paths.items():
        for operation in methods.values():
            assert operation["description"], path
            media = operation["responses"]["200"]["content"].values()
            files = ("/toml", "/runs-table", "/metrics", "/report", "/label")
            told = media and all("$ref" in one["schema"] for one in media)
            assert told or path.endswith(files), path
            rights |= set(operation.get("x-rights", []))
    assert rights == {row.right.value for row in ROWS if row.right is not None}
