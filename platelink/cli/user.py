"""The command ``user``: who may work at the unit, and as what."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.stock import name_argument, why_option
from platelink.cli.tables import Column, local, print_table
from platelink.cli.typed_secret import asked_secret, secret_option
from platelink.contract.words import Role

if TYPE_CHECKING:
    from platelink.contract.base import Request
    from platelink.contract.people import Person, PersonNoted

_ROLES = click.Choice(tuple(map(str, Role)))
_PEOPLE = (
    Column("NAME", least=8),
    Column("ROLE"),
    Column("NOW", spare=1),
    Column("LAST SIGN-IN", spare=2),
    Column("SINCE", spare=3),
)
_HISTORY = (
    Column("WHEN"),
    Column("NAME", least=8),
    Column("WHAT"),
    Column("BY", least=8, spare=1),
    Column("WHY", least=10, spare=2),
    Column("WITH", least=10, spare=3),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy(
            "user:list_", "List people with their roles, and who is locked or deactivated."
        ),
        "first": Lazy("user:first", "Add the first lead, at set-up."),
        "add": Lazy("user:add", "Add a person."),
        "role": Lazy("user:role", "Change a person's role."),
        "secret": Lazy("user:secret", "Set a new PIN or password, your own or another person's."),
        "regain": Lazy(
            "user:regain", "Set a new PIN or password for the only lead, who forgot theirs."
        ),
        "deactivate": Lazy("user:deactivate", "Deactivate a person who has left."),
        "reactivate": Lazy("user:reactivate", "Reactivate a person."),
        "unlock": Lazy("user:unlock", "Unlock a person after too many wrong tries."),
        "history": Lazy("user:history", "Show what was changed about people, and who signed in."),
    },
)
def user() -> None:
    """People: who may work at the unit, and as what. Leads do this, signed in.

    PINs and passwords are asked for without echo, or read from a file: never typed on the command
    line, where others see them."""


@click.command("list")
@json_option
def list_(as_json: bool) -> None:
    """List everybody, in the order they were added."""
    with service() as client:
        people = client.people()
    if as_json:
        emit({"people": people})
        return
    rows = [
        [
            person.name,
            person.role,
            _now(person),
            local(person.signed_in_utc, seconds=False) or "never",
            local(person.added_utc, seconds=False),
        ]
        for person in people
    ]
    print_table(_PEOPLE, rows, "none yet; add the first lead: platelink user first NAME")


def _now(person: Person) -> str:
    if not person.open:
        return "deactivated"
    until = local(person.locked_until_utc, seconds=False)
    return f"locked until {until}" if until else ""


@click.command()
@name_argument
@secret_option()
@why_option(required=False)
@json_option
def first(name: str, secret_file: Path | None, why: str, as_json: bool) -> None:
    """Enter the first lead, NAME: on the unit's own computer, while nobody is entered. From then
    on everybody signs in. Make a second lead soon: only a lead gives new secrets. Where the file of
    people was lost the owner of the unit's files or root does this, and says why."""
    secret = asked_secret(f"PIN or password for {clean(name)}", secret_file, twice=True)
    with service(signed_in=False) as client:
        _print(client.add_first(name, secret, why), as_json)
    if not as_json:
        click.echo(f"now sign in: platelink sign-in '{clean(name)}'")


@click.command()
@name_argument
@click.option("--role", type=_ROLES, required=True, help="Role: operator, lead or auditor.")
@secret_option()
@json_option
def add(name: str, role: str, secret_file: Path | None, as_json: bool) -> None:
    """Enter NAME, with a PIN or password to begin with."""
    secret = asked_secret(f"PIN or password for {clean(name)}", secret_file, twice=True)
    with service() as client:
        _print(client.add_person(name, Role(role), secret), as_json)


@click.command()
@name_argument
@click.argument("role", type=_ROLES)
@why_option(required=True)
@json_option
def role(name: str, role: str, why: str, as_json: bool) -> None:
    """Give NAME another role; it holds at once, in sessions that are open too."""
    from platelink.client import request
    from platelink.contract.people import NewRole

    _act(name, "role", request(NewRole, role=Role(role), why=why), as_json)


@click.command()
@click.argument("name", required=False)
@secret_option()
@secret_option("--old-secret-file", "Read your present PIN or password from this file, or -.")
@why_option(required=False)
@json_option
def secret(
    name: str | None, secret_file: Path | None, old_secret_file: Path | None, why: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Another PIN or password: one's own, with the old one; or, as a lead, that of NAME.
    It ends all sessions of that person."""
    from platelink.client import request
    from platelink.contract.people import NewSecret

    with service() as client:
        me = client.me()
        own = name is None or name == me.name
        if own and me.local:
            raise Misuse("name the person, or sign in first: platelink sign-in NAME")
        whose, old = me.name if own else str(name), None
        if own:
            old = asked_secret(
                "present PIN or password", old_secret_file, option="--old-secret-file"
            )
        new = asked_secret(f"new PIN or password for {clean(whose)}", secret_file, twice=True)
        body = request(NewSecret, secret=new, old=old, why=why)
        _print(client.at_person(whose, "secret", body), as_json)
    if own and not as_json:
        click.echo(f"all your sessions have ended; sign in again: platelink sign-in '{whose}'")


@click.command()
@name_argument
@secret_option()
@why_option(required=True)
@json_option
def regain(name: str, secret_file: Path | None, why: str, as_json: bool) -> None:
    """Another PIN or password for the lead NAME, who forgot theirs, where no other lead is left to
    give one: by the owner of the unit's files, or root, on the unit's own computer. It is recorded
    with that user's name, and ends all sessions of that lead."""
    new = asked_secret(f"new PIN or password for {clean(name)}", secret_file, twice=True)
    with service(signed_in=False) as client:
        _print(client.regain(name, new, why), as_json)
    if not as_json:
        click.echo(f"now sign in: platelink sign-in '{clean(name)}'")


@click.command()
@name_argument
@why_option(required=True)
@json_option
def deactivate(name: str, why: str, as_json: bool) -> None:
    """Deactivate NAME, who has left: signed out, no further sign-in. The name stays on record."""
    _reasoned(name, "close", why, as_json)


@click.command()
@name_argument
@why_option(required=True)
@json_option
def reactivate(name: str, why: str, as_json: bool) -> None:
    """Reactivate NAME, with role and secret as before."""
    _reasoned(name, "open", why, as_json)


@click.command()
@name_argument
@why_option(required=False)
@json_option
def unlock(name: str, why: str, as_json: bool) -> None:
    """Unlock NAME after too many wrong tries."""
    _reasoned(name, "unlock", why, as_json)


def _reasoned(name: str, act: str, why: str, as_json: bool) -> None:
    from platelink.client import request
    from platelink.contract.base import Reasoned

    _act(name, act, request(Reasoned, why=why), as_json)


def _act(name: str, act: str, body: Request, as_json: bool) -> None:
    with service() as client:
        _print(client.at_person(name, act, body), as_json)


def _print(person: Person, as_json: bool) -> None:
    if as_json:
        emit(person)
        return
    state = _now(person)
    click.echo(f"{clean(person.name)}, {person.role}{f', {state}' if state else ''}")


@click.command()
@click.argument("name", required=False)
@click.option(
    "--limit", type=click.IntRange(1, 1000), default=100, show_default=True, help="Most to list."
)
@json_option
def history(name: str | None, limit: int, as_json: bool) -> None:
    """Show changes and sign-ins of NAME, or of everybody; the newest entries, oldest first."""
    with service() as client:
        entries = client.people_history(name, limit)
    if as_json:
        emit({"entries": entries})
        return
    print_table(_HISTORY, [_noted(entry) for entry in entries], "none yet")


def _noted(entry: PersonNoted) -> list[str]:
    with_ = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in entry.body.items())
    return [local(entry.at_utc), entry.name, entry.act, entry.who, entry.why, with_]
