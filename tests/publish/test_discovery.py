"""What home automation is told, and what a flow reads: held against what units publish."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import jinja2
import pytest

from platelink.config.load import ConfigError, loads
from platelink.control.alarm.states import AlarmState
from platelink.daemon.setup import make_cosigning, make_publisher
from platelink.events.unit import AlarmMoved
from platelink.publish.discovery import discovery
from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.publish.publishing import RENEW_S
from platelink.publish.topics import Topics
from platelink.runs import RunEvent

ROOT = Path(__file__).parents[2]
OWN = Topics("shop", "unit-1")
UNIT = """
format = 1
[unit]
site = "shop"
name = "unit-1"
[link]
port = "/dev/ttyUSB0"
[light]
expected_mw_cm2 = 12
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = 0.0149
calibrated_on = 2026-01-15
due_on = 2027-01-15
[broker]
host = "127.0.0.1"
"""
WHOLE = {"link": "up", "run_id": None, "exposure": "running", "light": "on", "order": 3,
         "dose_mj_cm2": 81.25, "problem": ""}  # fmt: skip


@pytest.fixture
def message():
    topic, text = discovery(OWN, "homeassistant", "1.2.3")
    # <discovery_prefix>/<component>/[<node_id>/]<object_id>/config; ids of [a-zA-Z0-9_-]
    # (home-assistant.io/integrations/mqtt, "Discovery topic"; from memory).
    assert re.fullmatch(r"homeassistant/device/[a-zA-Z0-9_-]+/[a-zA-Z0-9_-]+/config", topic)
    return json.loads(text)


def status(state="online", sequence=7, **detail):
    said = UnitStatus(site="shop", unit="unit-1", session=5, sequence=sequence, state=state,
                      at_utc=datetime(2026, 1, 2, tzinfo=UTC), detail=detail,
                      pending=None if sequence == LAST_WORD else 4)  # fmt: skip
    return json.loads(said.model_dump_json())


def seen(message, said):
    """What each part shows of a status: home automation's templates are Jinja's."""
    return {
        part["name"]: jinja2.Template(part["value_template"]).render(value_json=said)
        for part in message["components"].values()
    }


def test_each_part_shows_what_the_status_says(message):
    assert seen(message, status(**WHOLE)) == {
        "Ultraviolet light": "ON", "Problem": "OFF", "Exposure": "running", "Dose": "81.25",
        "Link to the board": "up", "Entries to publish": "4",
    }  # fmt: skip
    other = seen(message, status(**WHOLE | {"light": "dark", "problem": "journal full"}))
    assert (other["Ultraviolet light"], other["Problem"]) == ("OFF", "ON")


@pytest.mark.parametrize(
    "said",
    [status(), status("offline", LAST_WORD), status(light="unknown", exposure=None,
                                                    dose_mj_cm2=None, link=None)],
    ids=["no report yet", "last will", "not known"],
)  # fmt: skip
def test_what_is_not_known_is_never_shown_as_off(message, said):
    shown = seen(message, said)
    del shown["Entries to publish"]
    assert set(shown.values()) == {"None"}  # home automation's word for unknown


def test_the_unit_is_away_when_its_last_will_says_so(message):
    assert message["availability_topic"] == message["state_topic"] == OWN.status
    for said in (status(), status("offline", LAST_WORD)):
        shown = jinja2.Template(message["availability_template"]).render(value_json=said)
        assert shown == said["state"]  # "online" and "offline" are its defaults


def test_nothing_is_shown_for_ever_of_a_unit_that_went_with_its_broker(message):
    """The broker comes back with what it kept, and no last will was ever sent."""
    told = UnitStatus.model_validate(status(**WHOLE) | {"renewed_s": RENEW_S})
    for part in message["components"].values():  # seconds (home-assistant.io/integrations/mqtt)
        assert 2 * told.renewed_s < part["expire_after"] <= 3 * told.renewed_s


def test_the_message_has_what_its_form_demands_and_takes_no_command(message):
    assert {"device", "origin", "components"} <= set(message)  # required, from memory
    assert message["device"]["identifiers"] and message["origin"]["name"]
    for name, part in message["components"].items():
        assert part["platform"] in ("sensor", "binary_sensor") and part["unique_id"] == name
    assert "command" not in json.dumps(message)


def test_no_two_units_are_one_device():
    """Whatever letters of an id stand between the two names, they may stand in them, too."""
    pairs = [("a", "b_c"), ("a_b", "c"), ("a-b", "c"), ("a", "b-c"), ("1_a", "b"), ("1", "a_b")]
    told = [json.loads(discovery(Topics(*pair), "house", "1.2.3")[1]) for pair in pairs]
    assert len({one["device"]["identifiers"][0] for one in told}) == len(pairs)
    assert len({name for one in told for name in one["components"]}) == 6 * len(pairs)


@pytest.mark.parametrize("prefix", [None, "house"])
def test_off_by_default(prefix):
    config = loads(UNIT + (f'home_automation = "{prefix}"\n' if prefix else ""))
    texts = make_cosigning(config).texts
    make_publisher(config, texts)
    kept = texts.next()
    assert (kept and kept[0]) == (prefix and f"{prefix}/device/shop/unit-1/config")


@pytest.mark.parametrize(
    ("unit", "more", "words"),
    [("unit.1", "", "rename the unit"), ("unit-1", "[jetstream]\n", "does not read a cluster")],
)
def test_what_home_automation_cannot_read_is_refused(unit, more, words):
    text = UNIT.replace('"unit-1"', f'"{unit}"') + "home_automation = 'house'\n"
    with pytest.raises(ConfigError, match=words):
        loads(text + more)


def test_the_flow_reads_what_units_publish():
    found = re.search(r"<!-- flow -->\n```json\n(.*?)```",
                      (ROOT / "docs" / "monitoring.md").read_text("utf-8"), re.S)  # fmt: skip
    assert found
    nodes = {node["id"]: node for node in json.loads(found[1])}
    for node in nodes.values():
        assert all(to in nodes for port in node.get("wires", []) for to in port)
        assert node.get("z", "plates") in nodes
    moved = AlarmMoved("contact lost", "high", "contact", "normal", "unacknowledged", "raised",
                       41.0, 60.0, "kPa", 1, None, True, None, None)  # fmt: skip
    event = RunEvent(id="j-1", run_id=None, unit="unit-1", at_utc=datetime(2026, 1, 2, tzinfo=UTC),
                     name="alarm", data=moved.data())  # fmt: skip
    said = {"events": json.loads(event.model_dump_json()), "states": status("offline")}
    assert nodes["events"]["topic"].replace("+/+", "shop/unit-1") == OWN.of(event)
    assert nodes["states"]["topic"].replace("+/+", "shop/unit-1") == OWN.status
    for name, message in said.items():
        choice = nodes[nodes[name]["wires"][0][0]]
        (rule,) = choice["rules"]
        assert value(message, choice["property"]) == rule["v"]
        words = nodes[choice["wires"][0][0]]["template"]
        for path in re.findall(r"{{{?([\w.]+)}", words):
            assert value(message, path), path
    assert nodes["raised"]["rules"][0]["v"] == AlarmState.UNACKNOWLEDGED.value


def value(message, path):
    """payload.a.b of a message."""
    for key in path.split(".")[1:]:
        message = message[key]
    return message
