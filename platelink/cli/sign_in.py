"""The commands ``sign-in``, ``sign-out``, ``whoami``: who the service takes this user for."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Failure
from platelink.cli.quantities import clean
from platelink.cli.tables import local
from platelink.cli.typed_secret import asked_secret, secret_option
from platelink.contract.words import Role

if TYPE_CHECKING:
    from platelink.contract.people import Me, Session


@click.command("sign-in")
@click.argument("name", required=False)
@secret_option()
@json_option
def sign_in(name: str | None, secret_file: Path | None, as_json: bool) -> None:
    """Sign in as NAME, with a PIN or password. Later commands of this user of the computer act
    under that name, until the sign-in ends or `platelink sign-out`."""
    from platelink.client.token import VARIABLE, place_of, save_token

    if name is None:
        name = str(click.prompt("name", err=True))
    secret = asked_secret(f"PIN or password of {clean(name)}", secret_file)
    with service() as client:
        session = client.sign_in(name, secret)
        place = place_of(client.socket)
        try:
            save_token(client.socket, session.token)
        except OSError as error:
            client.sign_out()
            raise Failure(
                f"{place} cannot be written ({error.strerror}), so you are signed out; fix "
                "that, or set $XDG_STATE_HOME"
            ) from error
    if as_json:
        emit(session.model_dump(include=_SHOWN) | {"kept": str(place)})
    else:
        click.echo(f"signed in as {_person(session)}; ends at {_ends(session)} unless it is used")
    if os.environ.get(VARIABLE):
        click.echo(f"${VARIABLE} is set and overrides this sign-in; unset it", err=True)


@click.command("sign-out")
@json_option
def sign_out(as_json: bool) -> None:
    """End the sign-in of this user of the computer."""
    from platelink.client import ClientError
    from platelink.client.token import forget_token, saved_token

    ended = False
    with service() as client:
        if saved_token(client.socket) is not None:
            try:
                ended = client.sign_out().signed_out
            except ClientError as error:
                if error.kind != "sign in":  # it has ended by itself
                    raise
            forget_token(client.socket)
    if as_json:
        emit({"signed_out": ended})
    else:
        click.echo("signed out" if ended else "nobody was signed in")


@click.command()
@json_option
def whoami(as_json: bool) -> None:
    """Who the service takes this user of the computer for, and what they may do."""
    with service() as client:
        me = client.me()
    if as_json:
        emit(me.model_dump(include={*_SHOWN, "local", "rights"}))
        return
    if not me.local:
        click.echo(f"{_person(me)}; ends at {_ends(me)} unless it is used")
    elif me.role is Role.LEAD:
        click.echo(
            f"{_person(me)}: no users yet, so anyone at this computer may do everything; add "
            "the first lead: platelink user first NAME"
        )
    else:
        click.echo("not signed in: read only; sign in: platelink sign-in NAME")


_SHOWN = {"name", "role", "until"}
"""What of an answer is worth nothing to a thief."""


def _person(who: Me | Session) -> str:
    return f"{clean(who.name)}, {who.role}"


def _ends(who: Me | Session) -> str:
    return local(who.until, seconds=False)
