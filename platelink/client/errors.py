"""What a client of the service may meet. Each text says what to do."""

# ruff: noqa: N818 -- the second name tells the state of the service

from __future__ import annotations

from pydantic import ValidationError

from platelink.contract.base import Problem


class ClientError(Exception):
    """The service did not do what was asked; ``kind`` is its own word for why."""

    def __init__(
        self, text: str, kind: str, asks: tuple[str, ...] = (), *, why: bool = False
    ) -> None:
        super().__init__(text)
        self.kind = kind
        self.asks = asks
        """What has to be accepted first, by name."""
        self.asks_why = why
        """And with a reason."""


class NoService(ClientError):
    """Nobody answers at the socket."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "fault")


def refusal(problem: bytes | bytearray | None, answered: str) -> ClientError:
    """What an answer that is no success tells; ``answered`` where it tells nothing."""
    try:
        found = Problem.model_validate_json(problem or b"")
    except ValidationError:
        text = f"the service answered {answered}; see the daemon's log"
        return ClientError(text, "fault")
    return ClientError(found.error, found.kind, found.asks or (), why=bool(found.asks_why))


def of_another_release(error: ValidationError) -> ClientError:
    """An answer that lacks what this release needs."""
    first = error.errors(include_url=False)[0]
    where = ".".join(map(str, first["loc"]))
    return ClientError(
        f"the service gave an answer of another release ({where}: {first['msg']}); restart its "
        "daemon, or use the command of its release",
        "fault",
    )
