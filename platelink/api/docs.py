"""Writes the OpenAPI document: ``python -m platelink.api.docs [--check] FILE``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from platelink.api.app import routes_app


def text() -> str:
    """The document as a file has it."""
    return json.dumps(routes_app(None).openapi(), indent=1, ensure_ascii=False) + "\n"


def main(arguments: list[str]) -> int:
    """Write the file, or with ``--check`` compare it; 1 when it is not current."""
    check = "--check" in arguments
    files = [a for a in arguments if a != "--check"]
    if len(files) != 1:
        sys.stderr.write("usage: python -m platelink.api.docs [--check] FILE\n")
        return 2
    path = Path(files[0])
    if not check:
        path.write_text(text(), encoding="utf-8")
        return 0
    if path.is_file() and path.read_text(encoding="utf-8") == text():
        return 0
    sys.stderr.write(f"{path} is not current; run: python -m platelink.api.docs {path}\n")
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
