"""python -m platelink.dashboards FOLDER: writes every dashboard there, as Grafana loads it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from platelink.dashboards.boards import BOARDS
from platelink.dashboards.grafana import dashboard


def texts() -> dict[str, str]:
    """File name to content."""
    return {
        f"{board.uid.removeprefix('platelink-')}.json": json.dumps(
            dashboard(board), indent=1, ensure_ascii=False
        )
        + "\n"
        for board in BOARDS
    }


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    for name, text in texts().items():
        (folder / name).write_text(text, "utf-8")
