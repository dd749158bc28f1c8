"""What home automation is told of a unit, so that it shows the unit's status. Pure.

One retained message in the form of Home Assistant's MQTT discovery of a device
(home-assistant.io/integrations/mqtt, "Device discovery payload"; other programs read it too). It
holds no topic that takes commands: lamps are switched by an operator at the unit, and by nobody
who is somewhere else.
"""

from __future__ import annotations

import json
import re
from typing import Any

from platelink.publish.topics import Topics

_ID = re.compile(r"[A-Za-z0-9_-]+")
"""What a level of a discovery topic may be made of: narrower than our own names."""

EXPIRES_S = 50
"""A status comes every 20 s. One that is older says nothing of now: the broker keeps the last one
when it was killed with its unit, and nobody was left to say goodbye. As the fleet's view has it."""


def discovery_fault(site: str, unit: str) -> str | None:
    """Why this unit cannot be discovered; None when it can."""
    for name in (site, unit):
        if not _ID.fullmatch(name):
            return (
                f"names of home automation hold letters, digits, '_' and '-' only; {name!r} has "
                "others: leave the key out, or rename the unit"
            )
    return None


def discovery(topics: Topics, prefix: str, version: str) -> tuple[str, str]:
    """(topic, text) to be retained: what of the unit's status is shown, and how it is read."""
    # The site's length: else unit b_c of site a and unit c of site a_b would be one device.
    own = f"platelink_{len(topics.site)}_{topics.site}_{topics.unit}"

    def shown(name: str, platform: str, template: str, **more: str) -> dict[str, str | int]:
        key = name.lower().replace(" ", "_")
        return {"platform": platform, "name": name, "unique_id": f"{own}_{key}",
                "value_template": template, "expire_after": EXPIRES_S, **more}  # fmt: skip

    # A last will has no detail, and before the first report there is none: unknown, not "off".
    parts = [
        shown("Ultraviolet light", "binary_sensor",
              "{{ {'on': 'ON', 'dark': 'OFF'}.get(value_json.detail.light, 'None') }}",
              device_class="light"),
        shown("Problem", "binary_sensor",
              "{{ 'None' if value_json.detail.problem is undefined "
              "else 'ON' if value_json.detail.problem else 'OFF' }}", device_class="problem"),
        shown("Exposure", "sensor", _plain("exposure")),
        shown("Dose", "sensor", _plain("dose_mj_cm2"), unit_of_measurement="mJ/cm²"),
        shown("Link to the board", "sensor", _plain("link"), entity_category="diagnostic"),
        shown("Entries to publish", "sensor", "{{ value_json.pending }}",
              entity_category="diagnostic"),
    ]  # fmt: skip
    message: dict[str, Any] = {
        "device": {
            "identifiers": [own],
            "name": f"platelink {topics.site}/{topics.unit}",
            "sw_version": version,
        },
        "origin": {"name": "platelink", "sw_version": version},
        "availability_topic": topics.status,
        "availability_template": "{{ value_json.state }}",
        "state_topic": topics.status,
        "qos": 1,
        "components": {part["unique_id"]: part for part in parts},
    }
    topic = f"{prefix}/device/{topics.site}/{topics.unit}/config"
    return topic, json.dumps(message, ensure_ascii=False, sort_keys=True)


def _plain(key: str) -> str:
    """Home automation takes the word None for unknown."""
    return f"{{{{ value_json.detail.{key} | default(none) }}}}"
