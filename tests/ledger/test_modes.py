"""Every file that is made is its owner's alone, however loose the umask."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from damage import campaign

from platelink.daemon.recorder_setup import session_name


@pytest.fixture(autouse=True)
def loose() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.mark.parametrize("kind", [k for k in campaign.KINDS if k.tables or k.name == "cursor"],
                         ids=lambda kind: kind.name)  # fmt: skip
def test_nobody_else_may_read_it(tmp_path: Path, kind: campaign.Kind) -> None:
    kind.make(tmp_path / "file")
    session_name(tmp_path / "recorder.sqlite")
    modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    assert modes and not [name for name, mode in modes.items() if mode & 0o077], modes
