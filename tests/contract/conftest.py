"""The boards of the contract: every case runs on each of them."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from contract.line import Line
from platelink.link import messages as m
from platesim.avrboard import AvrBoard
from platesim.avrbuild import ToolMissing
from platesim.board import ALL_CAPABILITIES, HostBoard


@dataclasses.dataclass(frozen=True)
class Kind:
    """A board as a case may ask about it."""

    name: str
    code: m.Board
    board: Callable[..., Any]
    light_channels: int
    examples: int
    """How many drawn cases a random test may take on this board."""
    capabilities: m.Capability = ALL_CAPABILITIES

    def make(self, **options: Any) -> Any:
        """Switch one on. Where the tools for it are missing, the case is skipped with the line that
        installs them; not in continuous integration, which must have them."""
        try:
            return self.board(**{"light_channels": self.light_channels, **options})
        except ToolMissing as missing:
            if os.environ.get("CI"):
                raise
            pytest.skip(str(missing))


HOST = Kind("host", m.Board.HOST, HostBoard, 4, 60)
AVR = Kind("avr", m.Board.AVR, AvrBoard, 1, 15)
AVR_4 = Kind("avr4", m.Board.AVR, AvrBoard, 4, 15)
KINDS = {kind.name: kind for kind in (HOST, AVR, AVR_4)}


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> Kind:
    return KINDS[request.param]


@pytest.fixture
def make_line(kind: Kind) -> Iterator[Callable[..., Line]]:
    """Makes a board, switched on, with a host's end of its line."""
    boards = []

    def make(*, ready: bool = True, **options: Any) -> Line:
        boards.append(kind.make(**options))
        return Line(boards[-1], ready=ready)

    yield make
    for board in boards:
        if hasattr(board, "close"):
            board.close()


@pytest.fixture
def line(make_line: Callable[..., Line]) -> Line:
    """A board whose inputs have settled and that has just heard a Heartbeat."""
    return make_line()
