"""How commands reach the service: the running daemon's, or the same service within the command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from platelink.client import Client
from platelink.client.reach import answers
from platelink.client.token import saved_token

if TYPE_CHECKING:
    from platelink.api.inprocess import InProcess
    from platelink.config.model import Config


def client_at(path: Path, *, signed_in: bool = True, transport: InProcess | None = None) -> Client:
    """A client with the sign-in that this user keeps, if there is one and it is wanted."""
    return Client(path, saved_token(path) if signed_in else None, transport=transport)


@contextmanager
def service_of(config: Config, *, signed_in: bool = True) -> Iterator[Client]:
    """A client of the unit's service. Where no daemon runs the service is within this program:
    recipes, lots, screens, people and records are as usual, the unit itself cannot be reached.
    Not ``signed_in``: as the user of this computer, whoever has signed in."""
    path = config.socket_path()
    if answers(path):
        with client_at(path, signed_in=signed_in) as client:
            yield client
        return
    from platelink.api.inprocess import in_process
    from platelink.daemon.setup import settings_of_service

    with (
        in_process(settings_of_service(config)) as transport,
        client_at(path, signed_in=signed_in, transport=transport) as client,
    ):
        yield client
