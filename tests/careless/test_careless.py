"""Careless changes, made one at a time in a copy of the tree: the tests beside each must notice.

The list is data, `changes.toml`. That it is true of the tree is looked at in every run; the changes
themselves are made in the long test only: `pytest -m long tests/careless -s`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CHANGES = tomllib.loads(Path(__file__).with_name("changes.toml").read_text("utf-8"))["change"]
LEAST_NOTICED = 0.95
Change = dict[str, str | list[str]]


def changed(text: str, change: Change) -> str:
    """The file after the change."""
    before, after = str(change["before"]), str(change["after"])
    found = text.count(before)
    assert found == 1, f"{change['file']}: {before!r} occurs {found} times"
    return text.replace(before, after)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change["what"])
def test_what_it_changes_stands_once_in_its_file(change: Change) -> None:
    text = (ROOT / str(change["file"])).read_text("utf-8")
    assert changed(text, change) != text
    for test in change["tests"]:
        path, _, name = test.partition("::")
        assert f"def {name.partition('[')[0]}" in (ROOT / path).read_text("utf-8"), test


def test_there_are_enough_of_every_language_and_no_two_alike() -> None:
    kinds = Counter(Path(str(change["file"])).suffix for change in CHANGES)
    assert kinds.total() >= 60
    assert kinds[".py"] >= 30 and kinds[".c"] >= 10 and kinds[".js"] >= 15, kinds
    assert max(Counter(str(change["what"]) for change in CHANGES).values()) == 1


def copy_of_the_tree(place: Path) -> Path:
    """Every file that git knows."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    for name in filter(None, listed.stdout.decode().split("\0")):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, place / name)
    return place


def failing(tree: Path, tests: Iterable[str]) -> str:
    """What pytest says of these tests there; empty when they pass."""
    paths = os.pathsep.join([str(tree), str(tree / "firmware-sim")])
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-n0", "-p", "no:cacheprovider", *tests],
        cwd=tree, env={**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode in (0, 1, 2), ran.stdout + ran.stderr
    assert ran.returncode or " skipped" not in ran.stdout.splitlines()[-1], ran.stdout
    return ran.stdout if ran.returncode else ""


def noticed(tree: Path, change: Change) -> bool:
    """Make it, run its tests, take it back."""
    path = tree / str(change["file"])
    text = path.read_text("utf-8")
    path.write_text(changed(text, change), "utf-8")
    try:
        return bool(failing(tree, change["tests"]))
    finally:
        path.write_text(text, "utf-8")


@pytest.mark.long
@pytest.mark.timeout(0)
def test_careless_changes_are_noticed(tmp_path: Path) -> None:
    tree = copy_of_the_tree(tmp_path)
    alone = failing(tree, sorted({test for change in CHANGES for test in change["tests"]}))
    assert not alone, f"they fail without any change:\n{alone}"
    missed = [str(change["what"]) for change in CHANGES if not noticed(tree, change)]
    print(f"\n{len(CHANGES) - len(missed)} of {len(CHANGES)} noticed; not noticed: {missed}")
    assert len(missed) <= (1.0 - LEAST_NOTICED) * len(CHANGES), missed
