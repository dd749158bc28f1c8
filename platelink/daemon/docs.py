"""Writes diagrams, alarms and events into the documents that tell what they mean.

``python -m platelink.daemon.docs docs`` brings them up to the code; a test fails until it is so.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path

from platelink.control import states
from platelink.control.alarm import states as alarm_states
from platelink.control.alarm import unit as unit_alarms
from platelink.control.procedure import table as procedure
from platelink.events import light, security, steps, unit
from platelink.events.event import Event, EventName

_SHARED = (
    light.Holding,
    light.Stopping,
    light.Aborting,
    light.Held,
    light.Restarted,
    light.Doubted,
    light.Refused,
)
TABLES: dict[str, dict[str, tuple[type[Event], ...]]] = {
    "exposure.md": {
        "exposure": light.OF_EXPOSURES,
        "own lamps": light.OF_OWN_LAMPS,
        "link": unit.OF_THE_LINK,
        "security": security.OF_SECURITY,
    },
    "procedure.md": {
        "plate": (*steps.OF_PLATES, *steps.OF_INSPECTIONS, unit.Asked, unit.InputsTaped, *_SHARED),
        "bake": steps.OF_BAKES,
        "stages": steps.OF_STAGES,
    },
    "alarms.md": {"alarms": unit.OF_ALARMS},
}
"""Document, mark of a table, its events."""


KINDS: dict[EventName, type[Event]] = {
    kind.NAME: kind for tables in TABLES.values() for kinds in tables.values() for kind in kinds
}
"""Every event but the device's own edges, by name."""


def _keys(kind: type[Event]) -> Iterable[str]:
    for each in fields(kind):
        more = "_0` ..." if each.metadata.get("per_channel") else "`"
        yield f"`{each.name.rstrip('_')}{more}"


def table(kinds: Iterable[type[Event]]) -> str:
    """Name, meaning and data of events as a Markdown table."""
    lines = ["| name | meaning | data |", "|---|---|---|"]
    for kind in kinds:
        meaning = " ".join((kind.__doc__ or "").replace("``", "`").split())
        cells = f"| `{kind.NAME}` | {meaning} | {', '.join(_keys(kind))} |"
        lines.append(cells.replace("|  |", "| |"))
    return "\n".join(lines) + "\n"


def edges() -> str:
    """The device's own edges as a Markdown table."""
    rows = [f"| `{name}` | {meaning} |" for name, meaning in unit.EDGES.items()]
    return "\n".join(["| name | meaning |", "|---|---|", *rows]) + "\n"


DIAGRAMS = {
    "exposure.md": states.diagram,
    "procedure.md": procedure.diagram,
    "alarms.md": alarm_states.diagram,
}


def parts(document: str) -> dict[str, str]:
    """What stands below each mark of a document."""
    found = {f"events: {mark}": table(kinds) for mark, kinds in TABLES[document].items()}
    found["diagram"] = f"```mermaid\n{DIAGRAMS[document]()}```\n"
    if document == "exposure.md":
        found["events: edges"] = edges()
    elif document == "alarms.md":
        found["alarms"] = unit_alarms.table()
    return found


def written(document: str, text: str) -> str:
    """The text of a document with its generated parts as they are now."""
    for mark, now in parts(document).items():
        place = re.compile(rf"(<!-- {mark} -->\n)(?:```.*?\n```|.*?(?=\n[^|]|\Z))\n?", re.DOTALL)
        found = place.search(text)
        assert found, f"{document}: nothing is marked '{mark}'"
        text = text[: found.start()] + found[1] + now + text[found.end() :]
    return text


def main(folder: Path) -> None:
    """Write every document."""
    for name in TABLES:
        path = folder / name
        path.write_text(written(name, path.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
