"""What the store of people refuses, by what a caller answers. Each text says what to do."""

from __future__ import annotations

from datetime import datetime

from platelink.ledger.errors import StoreRefused


class NoSuchPerson(StoreRefused):
    """Nobody has this name."""


class NotUsable(StoreRefused):
    """The name or the secret is not one that may be given."""


class SignInRefused(StoreRefused):
    """The text is the same whatever was wrong with name and secret."""

    def __init__(self, text: str, locked_until_utc: datetime | None = None) -> None:
        super().__init__(text)
        self.locked_until_utc = locked_until_utc
        """Set while the name is locked; no secret was looked at."""
