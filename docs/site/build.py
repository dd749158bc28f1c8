"""Makes the site of all documents: ``python docs/site/build.py FOLDER``.

Every document keeps its place in the tree, so links between them stay as they are. Where a document
names another one as `docs/lamps.md`, the site has a link. A link or an anchor that leads nowhere
fails the build.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

PARTS = {
    "Tutorial": ["docs/tutorial"],
    "How-to": [
        "docs/how-to/wire", "docs/installation", "docs/kiosk", "docs/how-to/calibrate",
        "docs/how-to/find-a-dose", "docs/how-to/change-lamps", "docs/how-to/trace-a-bad-print",
        "docs/how-to/restore", "docs/how-to/upgrade",
    ],
    "Reference": [
        "docs/commands", "docs/configuration", "docs/exposure", "docs/procedure", "docs/alarms",
        "docs/recipes", "docs/calibration", "docs/uncertainty", "docs/finding", "docs/lamps",
        "docs/maintenance", "docs/page", "docs/people", "docs/record", "docs/ask", "docs/evidence",
        "docs/replay", "docs/alerts", "docs/api", "docs/publishing", "docs/monitoring",
        "docs/scale", "docs/security", "docs/benchmarks", "docs/wiring", "firmware-sim/PROTOCOL",
        "dashboards/README", "docs/changes/*",
    ],
    "Explanation": [
        "README", "docs/explanation/dose", "docs/explanation/uncertainty",
        "docs/explanation/leaks", "docs/explanation/log", "docs/explanation/cluster",
        "DEVELOPERS", "docs/decisions/*",
    ],
}  # fmt: skip
"""Parts of the site, and what is in each, in order. A document that is in none is in REST."""
REST = "Reference"
WELCOME = """# platelink

A process controller and data recorder for photopolymer plates: exposures that end at their dose,
and a record that can be audited.

UV light injures eyes and skin. No page here replaces the unit's own interlock, its manual or local
codes.

- **Tutorial**: [your first plate](docs/tutorial.md), on a simulated unit.
- **How-to**: one job each, in steps, from [wiring](docs/how-to/wire.md) to
  [tracing a bad print](docs/how-to/trace-a-bad-print.md).
- **Reference**: every [command](docs/commands.md), [key](docs/configuration.md),
  [event](docs/exposure.md), [alarm](docs/alarms.md) and [route](docs/api.md).
- **Explanation**: why it is built so, from [a dose](docs/explanation/dose.md) to
  [the log](docs/explanation/log.md).
"""
SPAN = re.compile(r"(?<![`\[])`([^`\s]+\.md)`(?![`\]])")


def documents(root: Path) -> list[PurePosixPath]:
    """All that become pages."""
    names = ["README.md", "DEVELOPERS.md", "dashboards/README.md", "firmware-sim/PROTOCOL.md"]
    below = (path.relative_to(root).as_posix() for path in (root / "docs").rglob("*.md"))
    return [
        PurePosixPath(name) for name in sorted([*names, *below])
        if name != "docs/decisions/template.md"
    ]  # fmt: skip


def linked(text: str, page: PurePosixPath, pages: set[PurePosixPath]) -> str:
    """The text with a link where a document is named in `code`, by its place in the tree or beside
    this page; what stands in fenced blocks stays."""

    def link(found: re.Match[str]) -> str:
        name = found[1]
        for target in (PurePosixPath(name), page.parent / name):
            if target in pages and target != page:
                return f"[`{name}`]({os.path.relpath(target, page.parent)})"
        return found[0]

    parts = re.split(r"(^ *```.*?^ *```$)", text, flags=re.DOTALL | re.MULTILINE)
    return "".join(p if i % 2 else SPAN.sub(link, p) for i, p in enumerate(parts))


def index(pages: list[PurePosixPath]) -> Iterator[str]:
    """The first page: a part of the navigation for each of ``PARTS``."""
    yield WELCOME
    named = [pattern for patterns in PARTS.values() for pattern in patterns]
    rest = [
        name for name in (page.with_suffix("").as_posix() for page in pages)
        if not any(PurePosixPath(name).match(pattern) for pattern in named)
    ]  # fmt: skip
    for caption, names in PARTS.items():
        body = "\n".join([*names, *(rest if caption == REST else [])])
        options = f":caption: {caption}\n:maxdepth: 1\n:hidden:\n:glob:"
        yield f"```{{toctree}}\n{options}\n\n{body}\n```\n"


def stage(root: Path, place: Path) -> None:
    """Write what the generator reads."""
    pages = documents(root)
    for page in pages:
        target = place / page
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(linked((root / page).read_text("utf-8"), page, set(pages)), "utf-8")
    shutil.copytree(root / "docs/pictures", place / "docs/pictures")
    (place / "index.md").write_text("\n".join(index(pages)), "utf-8")


def build(root: Path, out: Path) -> int:
    """Exit code of the generator, which says on standard error what is wrong."""
    from sphinx.cmd.build import main  # noqa: PLC0415 -- only whoever builds needs it

    with tempfile.TemporaryDirectory(prefix="platelink-site-") as name:
        source = Path(name) / "source"
        stage(root, source)
        return main(["-q", "-W", "--keep-going", "-c", str(HERE), "-d", f"{name}/doctrees",
                     str(source), str(out)])  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Make the site of all documents.")
    parser.add_argument("out", type=Path, help="folder to write it to")
    sys.exit(build(ROOT, parser.parse_args().out))
