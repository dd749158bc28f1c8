"""What the service answers when it refuses: a text that says what to do. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from platelink.contract.base import Json, Problem
from platelink.contract.words import Kind

_STATUS: dict[Kind, int] = {
    "misuse": 422, "sign in": 401, "no right": 403, "unknown": 404, "refused": 409,
    "too many": 429, "fault": 500,
}  # fmt: skip


class ApiError(Exception):
    """An answer that is a ``Problem``."""

    def __init__(
        self,
        text: str,
        kind: Kind,
        status: int | None = None,
        headers: Mapping[str, str] | None = None,
        *,
        asks: tuple[str, ...] = (),
        asks_why: bool = False,
    ) -> None:
        super().__init__(text)
        self.kind = kind
        self.status = _STATUS[kind] if status is None else status
        self.headers = dict(headers or {})
        self.asks = asks
        self.asks_why = asks_why

    def body(self) -> Json:
        """The answer's body."""
        return Problem(
            error=str(self), kind=self.kind, asks=self.asks or None,
            asks_why=self.asks_why or None,
        ).model_dump()  # fmt: skip


def no_daemon(text: str = "") -> ApiError:
    """The unit cannot be reached."""
    return ApiError(
        text or "no daemon of this unit runs; start it: platelink serve", "fault", status=503
    )


def unusable(error: Exception) -> ApiError:
    """A file that is needed cannot be used; its text says why and what to do."""
    return ApiError(str(error), "fault", status=503)
