"""JSON Schemas of everything that is published, generated from the models into docs/schemas/.

python -m platelink.publish.schemas --check [FOLDER]   compare, exit 1 if they differ
python -m platelink.publish.schemas --write [FOLDER]   write them anew
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from platelink.publish.messages import HeldEntries, Took, UnitStatus
from platelink.runs import RunChannels, RunEnd, RunEvent, RunSamples, RunStart

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
FOLDER: Final = Path(__file__).parents[2] / "docs" / "schemas"
MODELS: Final[dict[str, type[BaseModel]]] = {
    "start": RunStart,
    "channels": RunChannels,
    "samples": RunSamples,
    "event": RunEvent,
    "end": RunEnd,
    "status": UnitStatus,
    "held": HeldEntries,
    "took": Took,
}


def schema_of(kind: str) -> dict[str, Any]:
    """The schema of one kind of message, as it is written: fields with a default are present."""
    schema = MODELS[kind].model_json_schema(mode="serialization")
    return {"$schema": DIALECT, **schema}


def texts() -> dict[str, str]:
    """File name to content."""
    return {
        f"{kind}.json": json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"
        for kind in MODELS
    }


def differences(folder: Path) -> list[str]:
    """What in ``folder`` is not as generated; empty when all is well."""
    found = {path.name: path.read_text("utf-8") for path in folder.glob("*.json")}
    wanted = texts()
    stale = [f"{name} differs" for name in wanted if found.get(name, "") != wanted[name]]
    return stale + [f"{name} is of no known message" for name in sorted(found.keys() - wanted)]


def main(arguments: list[str]) -> int:
    """Exit code: 0 well, 1 different, 2 wrong arguments."""
    match arguments:
        case ["--check", *rest] if len(rest) <= 1:
            faults = differences(Path(rest[0]) if rest else FOLDER)
            hint = ["run: python -m platelink.publish.schemas --write"] if faults else []
            sys.stderr.write("".join(f"{line}\n" for line in faults + hint))
            return 1 if faults else 0
        case ["--write", *rest] if len(rest) <= 1:
            folder = Path(rest[0]) if rest else FOLDER
            folder.mkdir(parents=True, exist_ok=True)
            for name, text in texts().items():
                (folder / name).write_text(text, "utf-8")
            return 0
    sys.stderr.write(f"{__doc__}")
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
