"""What tests of the installer share."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"


@pytest.fixture
def own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[tuple[Any, Any, Any]]:
    """The installer's modules, as the script has them; what it notes is noted elsewhere."""
    monkeypatch.syspath_prepend(str(DEPLOY))
    import install
    import installer.machine as machine
    import installer.program as program
    import installer.surroundings as surroundings

    for module in (install, machine):
        monkeypatch.setattr(module, "NOTED", tmp_path / "noted")
    yield install, program, surroundings
    for name in [
        name for name in sys.modules if name.partition(".")[0] in ("install", "installer")
    ]:
        del sys.modules[name]
