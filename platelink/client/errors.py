"""What a client of the service may meet. Each text says what to do."""

# ruff: noqa: N818 -- the second name tells the state of the service

from __future__ import annotations


class ClientError(Exception):
    """The service did not do what was asked; ``kind`` is its own word for why."""

    def __init__(self, text: str, kind: str) -> None:
        super().__init__(text)
        self.kind = kind


class NoService(ClientError):
    """Nobody answers at the socket."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "fault")
