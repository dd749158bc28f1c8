"""Lines of a unit as they come: first the status, then whatever happens."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Self

from pydantic import ValidationError
from websockets.exceptions import ConnectionClosed, InvalidStatus, WebSocketException
from websockets.sync.client import unix_connect

from platelink.client.errors import NoService, of_another_release, refusal
from platelink.client.reach import answers, nobody
from platelink.contract.unit import LiveLine, read_line

OPEN_S = 30.0
CLOSE_S = 0.5
"""Lines that were not read stand before the other end's goodbye; it is not worth waiting for."""


class Live:
    """``with client.live() as lines: for line in lines:``; ends when the daemon does."""

    def __init__(self, socket: Path, headers: Mapping[str, str]) -> None:
        self._open = ExitStack()
        if not answers(socket):
            raise NoService(nobody(socket))
        try:
            self._connection = self._open.enter_context(
                unix_connect(
                    str(socket),
                    "ws://platelink/v1/live",
                    additional_headers=headers,
                    compression=None,
                    open_timeout=OPEN_S,
                    close_timeout=CLOSE_S,
                    max_size=1 << 22,
                )
            )
        except InvalidStatus as error:
            response = error.response
            raise refusal(response.body, str(response.status_code)) from None
        except (OSError, TimeoutError, WebSocketException) as error:
            raise NoService(f"{nobody(socket)} ({error})") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        self._open.close()

    def __iter__(self) -> Iterator[LiveLine]:
        """Lines of a kind that this release does not know are passed over."""
        try:
            for text in self._connection:
                try:
                    line = read_line(text)
                except ValidationError as error:
                    raise of_another_release(error) from None
                if line is not None:
                    yield line
        except ConnectionClosed:
            return
