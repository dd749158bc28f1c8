"""Documents against code: the schemas are as generated, the AsyncAPI document says what is done."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator, FormatChecker
from publish import publish_samples as ps

from platelink.publish import schemas
from platelink.publish.messages import Took, TookRefusal, TookRevision, UnitStatus
from platelink.publish.teller import KEPT_S, Teller
from platelink.publish.topics import RUN_KINDS, Topics
from platelink.runs import AnyEntry

DOCS = Path(__file__).parents[2] / "docs"
ASYNCAPI = yaml.safe_load((DOCS / "asyncapi.yaml").read_text("utf-8"))
TOPICS = Topics(ps.SITE, ps.UNIT)
RUN = ps.whole_run(1, 3)
STATUS = UnitStatus(
    site=ps.SITE, unit=ps.UNIT, session=3, sequence=1, state="online",
    at_utc=datetime(2026, 1, 2, tzinfo=UTC), pending=0, detail={"state": "idle"},
)  # fmt: skip


def resolve(node: dict[str, object]) -> dict[str, object]:
    """Follow '#/...' within the document, and './...' to a file beside it."""
    while set(node) == {"$ref"}:
        ref = str(node["$ref"])
        if ref.startswith("#/"):
            node = ASYNCAPI
            for step in ref[2:].split("/"):
                node = node[step]
        else:
            node = json.loads((DOCS / ref).read_text("utf-8"))
    return node


OTHER = {"other_site": "other-site", "other": "other-unit", "kind": "recipes"}


def channel_of(topic: str, run_id: str | None) -> dict[str, object]:
    """The one channel whose address, filled in, is this topic."""
    names = OTHER | {"site": ps.SITE, "unit": ps.UNIT, "run_id": run_id or "", "recorder": "night"}
    found = [c for c in ASYNCAPI["channels"].values() if c["address"].format(**names) == topic]
    assert len(found) == 1, topic
    return found[0]


def payload_schema(channel: dict[str, object]) -> dict[str, object]:
    (message,) = channel["messages"].values()
    return resolve(resolve(message)["payload"]["schema"])


def check(schema: dict[str, object], payload: str) -> list[str]:
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=FormatChecker())
    return [error.message for error in validator.iter_errors(json.loads(payload))]


def test_committed_schemas_are_as_generated():
    assert schemas.differences(DOCS / "schemas") == []


def test_check_tells_what_differs(tmp_path, capsys):
    assert schemas.main(["--write", str(tmp_path)]) == 0
    assert schemas.main(["--check", str(tmp_path)]) == 0
    (tmp_path / "end.json").write_text("{}")
    (tmp_path / "other.json").write_text("{}")
    (tmp_path / "start.json").unlink()
    assert schemas.main(["--check", str(tmp_path)]) == 1
    told = capsys.readouterr().err
    assert "end.json differs" in told and "start.json differs" in told
    assert "other.json is of no known message" in told
    assert schemas.main(["--what"]) == 2


@pytest.mark.parametrize("entry", [*RUN, ps.event(99, "link_lost", None)], ids=lambda e: e.kind)
def test_every_entry_has_a_channel_and_fits_its_schema(entry: AnyEntry):
    channel = channel_of(TOPICS.of(entry), entry.run_id)
    schema = payload_schema(channel)
    assert schema == schemas.schema_of(entry.kind)
    assert check(schema, entry.model_dump_json()) == []
    assert check(schema, json.dumps(json.loads(entry.model_dump_json()) | {"unit": 5}))
    assert check(schema, json.dumps(json.loads(entry.model_dump_json()) | {"strange": 5}))


def test_status_has_a_channel_and_fits_its_schema():
    schema = payload_schema(channel_of(TOPICS.status, None))
    assert check(schema, STATUS.model_dump_json()) == []
    assert check(schema, json.dumps(json.loads(STATUS.model_dump_json()) | {"session": 0}))


def test_what_a_recorder_holds_has_a_channel_and_fits_its_schema():
    words = Teller("night", None).words((ps.SITE, ps.UNIT), {"j": ((1, 7), (9, 9))}, ps.AT)
    schema = payload_schema(channel_of(words.topic, None))
    assert check(schema, words.payload.decode()) == []
    assert check(schema, json.dumps(json.loads(words.payload) | {"journals": {"j": [[-1, 7]]}}))


def test_what_a_unit_took_has_a_channel_and_fits_its_schema():
    at = datetime(2026, 1, 2, tzinfo=UTC)
    took = Took(
        site=ps.SITE, unit=ps.UNIT, refused=(TookRefusal(since_utc=at, text="why"),),
        taken={"recipes": TookRevision(revision=3, key="k", at_utc=at)},
    )  # fmt: skip
    schema = payload_schema(channel_of(TOPICS.took, None))
    assert check(schema, took.model_dump_json()) == []
    assert check(schema, took.model_dump_json().replace(":3", ":0"))


def test_no_channel_is_documented_that_is_never_used():
    used = {TOPICS.of(e) for e in RUN} | {TOPICS.of(ps.event(9, "x", None)), TOPICS.status}
    other = Topics(OTHER["other_site"], OTHER["other"])
    used |= {TOPICS.checkpoint, TOPICS.cosign(other), TOPICS.cosigned(other)}
    used |= {TOPICS.held("night"), TOPICS.took, *TOPICS.shop("recipes")}
    names = OTHER | {"site": ps.SITE, "unit": ps.UNIT, "run_id": "r1", "recorder": "night"}
    documented = {c["address"].format(**names) for c in ASYNCAPI["channels"].values()}
    assert documented == used
    assert {a.rsplit("/", 1)[1] for a in documented if "/run/" in a} == set(RUN_KINDS)


def test_every_channel_is_sent_to_and_what_is_no_entry_is_retained():
    for operation in ASYNCAPI["operations"].values():
        channel = resolve(operation["channel"])
        mqtt = operation["bindings"]["mqtt"]
        assert (operation["action"], mqtt["qos"]) == ("send", 1)
        retained = ("/status", "/checkpoint", "/{other}", "/held/{recorder}", "/took",
                    "/_shop/{kind}", "/_shop/{kind}/{unit}")  # fmt: skip
        assert mqtt["retain"] == channel["address"].endswith(retained)
        assert mqtt.get("messageExpiryInterval", KEPT_S) == KEPT_S
    sent = {json.dumps(resolve(o["channel"])) for o in ASYNCAPI["operations"].values()}
    assert len(sent) == len(ASYNCAPI["channels"])
