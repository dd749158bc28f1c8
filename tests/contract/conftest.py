"""The boards of the contract: every case runs on each of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from contract.line import Line
from platelink.link import messages as m
from platesim.board import HostBoard


@dataclasses.dataclass(frozen=True)
class Kind:
    """A board as a case may ask about it."""

    name: str
    code: m.Board
    make: Callable[..., Any]
    light_channels: int
    capabilities: m.Capability
    examples: int
    """How many drawn cases a random test may take on this board."""


def _host(**options: Any) -> HostBoard:
    return HostBoard(**{"light_channels": 4, **options})


HOST = Kind(
    "host", m.Board.HOST, _host, 4,
    m.Capability.VACUUM | m.Capability.OVEN | m.Capability.HEAD_TEMPERATURE
    | m.Capability.LAMP_OUTPUT, 60,
)  # fmt: skip
KINDS = {"host": HOST}


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
