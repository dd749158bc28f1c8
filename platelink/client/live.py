"""Lines of a unit as they come: first the status, then whatever happens."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Self

from websockets.exceptions import ConnectionClosed, InvalidStatus, WebSocketException
from websockets.sync.client import unix_connect

from platelink.client.errors import ClientError, NoService
from platelink.client.reach import answers, nobody

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
            raise _refused(error) from None
        except (OSError, TimeoutError, WebSocketException) as error:
            raise NoService(f"{nobody(socket)} ({error})") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        self._open.close()

    def __iter__(self) -> Iterator[dict[str, Any]]:
        try:
            for text in self._connection:
                line = json.loads(text)
                assert isinstance(line, dict)
                yield line
        except ConnectionClosed:
            return


def _refused(error: InvalidStatus) -> ClientError:
    try:
        problem = json.loads(error.response.body or b"")
        return ClientError(str(problem["error"]), str(problem["kind"]))
    except (ValueError, KeyError, TypeError):
        return ClientError(f"the service answered {error.response.status_code}", "fault")
