"""Each process loads what it needs: a module of ours as a program, and what stays out of it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from platelink.modules import own_module

WITHOUT = {
    "platelink.config.load": ("numpy", "scipy", "sqlite3"),
    "platelink.api.lane": ("numpy", "cryptography", "fastapi", "platelink.config"),
    "platelink.api.serve": ("typst", "segno", "platelink.report"),
    "platelink.web.server": ("numpy", "cryptography", "sqlite3", "platelink.config"),
}
"""Memory of its own for each process that loads it, and time for each command."""


@pytest.mark.parametrize("name", WITHOUT)
def test_what_a_process_does_not_need_is_not_loaded(name: str) -> None:
    code = f"import sys, {name}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert name in done.stdout.split()
    assert [one for one in WITHOUT[name] if one in done.stdout.split()] == []


def test_the_directory_of_whoever_starts_it_is_not_looked_into(tmp_path: Path) -> None:
    """As a shop's folder with a file of the same name."""
    for name in ("platelink", "json"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('of a stranger')\n", "utf-8")
    command, env = own_module("platelink.api")
    done = subprocess.run(
        command, cwd=tmp_path, env=env, input="{}", capture_output=True, text=True, check=False
    )
    assert "of a stranger" not in done.stderr and "Settings" in done.stderr


def test_what_was_inherited_comes_after_our_own(monkeypatch: pytest.MonkeyPatch) -> None:
    home = str(Path(__file__).parents[1])
    monkeypatch.setenv("PYTHONPATH", "/of/others")
    assert own_module("platelink.api")[1]["PYTHONPATH"] == os.pathsep.join([home, "/of/others"])
    monkeypatch.delenv("PYTHONPATH")
    assert own_module("platelink.api")[1]["PYTHONPATH"] == home
