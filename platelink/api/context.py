"""What every route works with, and who is asking."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Annotated

from fastapi import Depends
from starlette.requests import HTTPConnection

from platelink.api.accounts import Accounts
from platelink.api.errors import ApiError
from platelink.api.hub import Hub
from platelink.api.lately import Lately
from platelink.api.remembered import now_utc
from platelink.api.security import SecurityLog
from platelink.api.who import Who
from platelink.api.wire import Daemon
from platelink.contract.lamps import LampsNow
from platelink.contract.service import Settings
from platelink.ledger.by import By
from platelink.people.rights import Right, refusal


@dataclass(frozen=True, slots=True)
class Context:
    """One service."""

    settings: Settings
    daemon: Daemon
    hub: Hub
    accounts: Accounts
    security: SecurityLog
    now: Callable[[], datetime] = now_utc
    lamps: Lately[LampsNow] = field(default_factory=Lately)
    """What the record told of the lamps, for figures that are asked for often."""

    def today(self) -> date:
        """The day in the shop's own time zone."""
        return self.now().astimezone().date()

    def by(self, who: Who, why: str = "") -> By:
        """Somebody, now."""
        return By(who.name, self.now(), why)


def context_of(connection: HTTPConnection) -> Context:
    """The service that a request came to."""
    context = connection.app.state.context
    assert isinstance(context, Context)
    return context


def who_of(connection: HTTPConnection) -> Who:
    """Who is asking; the door has put it there."""
    who = connection.state.who
    assert isinstance(who, Who)
    return who


def must(who: Who, right: Right) -> None:
    """``ApiError`` when they have not this right too."""
    text = refusal(who.role, right)
    if text is not None:
        raise ApiError(text, "no right")


Here = Annotated[Context, Depends(context_of)]
Asking = Annotated[Who, Depends(who_of)]
