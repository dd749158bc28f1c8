"""An AVR board with a host's end of its line; skipped where tools are missing, but not in CI."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import pytest
from contract.line import Line

from platesim.avrboard import AvrBoard
from platesim.avrbuild import ToolMissing, build, build_runner


@pytest.fixture(scope="session", autouse=True)
def tools() -> None:
    """Compiles once; tells the line to install what is missing."""
    try:
        build()
        build_runner()
    except ToolMissing as missing:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(missing))


@pytest.fixture
def make_line() -> Iterator[Callable[..., Line]]:
    boards: list[AvrBoard] = []

    def make(*, ready: bool = True, **options: object) -> Line:
        boards.append(AvrBoard(**options))  # type: ignore[arg-type]
        return Line(boards[-1], ready=ready)

    yield make
    for board in boards:
        board.close()


@pytest.fixture
def line(make_line: Callable[..., Line]) -> Line:
    """A board of one light channel whose inputs have settled."""
    return make_line()
