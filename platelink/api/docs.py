"""Writes the OpenAPI document: ``python -m platelink.api.docs [--check] FILE``."""

from __future__ import annotations

import json
import sys

from platelink.api.app import routes_app
from platelink.forms.written import whole


def text() -> str:
    """The document as a file has it."""
    return json.dumps(routes_app(None).openapi(), indent=1, ensure_ascii=False) + "\n"


def main(arguments: list[str]) -> int:
    """Write the file, or with ``--check`` compare it; 1 when it is not current."""
    return whole(arguments, "platelink.api.docs", text)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
