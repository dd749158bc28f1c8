"""The reference is whole: whatever can be asked for, set, seen or allowed stands in its document.

``tests/cli/test_cli_group.py`` holds commands and options, ``tests/test_docs.py`` events."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import pytest
from pydantic.fields import FieldInfo

from platelink.api.access import ROWS
from platelink.api.figures import of_backup, of_disk, of_lamps, of_sensors, of_unit
from platelink.config.model import Config, RecorderConfig
from platelink.control.alarm.unit import UNIT_ALARMS
from platelink.forms import walk
from platelink.people.rights import RIGHTS, Right
from platelink.publish.figures import of_recorder

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


def text_of(name: str) -> str:
    return (DOCS / name).read_text("utf-8")


def first_column(text: str) -> list[str]:
    return [cell.strip().strip("`") for cell in re.findall(r"^\| ([^|]+) \|", text, re.MULTILINE)]


def sections_of(model: type[Config | RecorderConfig]) -> dict[str, FieldInfo]:
    return dict(walk.sections(model))


@pytest.mark.parametrize("model", [Config, RecorderConfig])
def test_every_key_of_the_configuration_is_in_its_section(model: type[Config]) -> None:
    parts = re.split(r"^## `\[+([a-z_.]+)\]+`$", text_of("configuration.md"), flags=re.MULTILINE)
    told = {name: first_column(text) for name, text in zip(parts[1::2], parts[2::2], strict=True)}
    found = sections_of(model)
    assert len(found) > 3
    for path, field in found.items():
        kinds = [*walk.members_of(field).values(), *filter(None, [walk.section_of(field)])]
        keys = {
            name for kind in kinds for name, below in kind.model_fields.items()
            if walk.section_of(below) is None
        }  # fmt: skip
        assert keys, path
        assert not keys - set(told[path]), path


def test_every_alarm_is_in_the_table_of_alarms_and_no_other() -> None:
    table = text_of("alarms.md").split("<!-- alarms -->\n")[1].split("\n\n")[0]
    assert first_column(table)[1:] == [alarm.name for alarm in UNIT_ALARMS]


def test_every_right_is_in_the_table_of_rights_and_no_other() -> None:
    table = text_of("people.md").split("<!-- rights, generated -->")[1].split("\n<!--")[0]
    assert set(first_column(table)[2:]) == {right.value for right in Right} == {*RIGHTS}


@cache
def api() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text_of("openapi.json"))
    return found


def covers(path: str, operation: dict[str, Any], route: str) -> bool:
    """The path has the route: a ``{name}`` stands for another, or for a word of its list."""
    words = {
        one["name"]: _words(one["schema"]) for one in operation.get("parameters", [])
        if one["in"] == "path"
    }  # fmt: skip
    parts, wanted = path.split("/"), route.split("/")
    return len(parts) == len(wanted) and all(
        part == want
        or (part.startswith("{") and (want.startswith("{") or want in words[part[1:-1]]))
        for part, want in zip(parts, wanted, strict=True)
    )


def _words(schema: dict[str, Any]) -> list[str]:
    name = schema.get("$ref", "").rpartition("/")[2]
    found: list[str] = api()["components"]["schemas"].get(name, schema).get("enum", [])
    return found


def test_every_route_is_in_the_document_of_the_api() -> None:
    paths = api()["paths"]
    missing = {
        row.path for row in ROWS
        if not any(
            row.method.lower() in methods and covers(path, methods[row.method.lower()], row.path)
            for path, methods in paths.items()
        )
    }  # fmt: skip
    beside = {"/v1/live", "/v1/openapi.json"}
    """Lines over a WebSocket, and the document itself."""
    assert missing == beside
    assert all(f"`{path}`" in text_of("api.md") for path in beside)


def figures() -> set[str]:
    """Names that the processes can show, whatever their state."""
    any_state = MagicMock()
    any_state.forecast.early_utc = "2026-03-02T07:00:00+00:00"
    shown = [
        *of_unit(any_state, {}, 0.0), of_sensors([], {}), *of_lamps(any_state, {}), of_disk(0, {}),
        of_backup(None, {}),
        *of_recorder(any_state, {}, "r", 0.0),
    ]  # fmt: skip
    sources = ("web/watch.py", "serving/certificates.py")
    constant = [
        name for source in sources
        for name in re.findall(r'"(platelink_\w+)"', (ROOT / "platelink" / source).read_text())
    ]  # fmt: skip
    assert len(constant) == 2
    return {figure.name for figure in shown} | set(constant)


def test_every_figure_of_every_process_is_told_and_no_other() -> None:
    text = text_of("monitoring.md").split("\n## Figures\n")[1].split("\n## ")[0]
    told = set(re.findall(r"`(platelink_\w+)`", text))
    assert told == figures() and len(told) > 35


def test_every_schema_stands_where_the_documents_say() -> None:
    named = text_of("asyncapi.yaml") + text_of("record.md") + text_of("publishing.md")
    named += text_of("commands.md") + text_of("shop.md")
    schemas = {path.name for path in (DOCS / "schemas").glob("*.json")}
    assert len(schemas) > 5
    assert not {name for name in schemas if f"schemas/{name}" not in named}
