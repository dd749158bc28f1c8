"""People and their signing in. Data only."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from platelink.contract.base import Answer, Json, Name, Request, Utc, Why
from platelink.contract.words import Role

Secret = Annotated[str, Field(max_length=1000)]
AnyRole = Annotated[Role, Field(strict=False)]
"""A text in JSON, where an enum is none."""


class SignIn(Request):
    """Name and PIN or password."""

    name: Name
    secret: Secret


class FirstLead(SignIn):
    """The first lead; ``why`` where the people entered before were lost."""

    why: Why = ""


class Regain(SignIn):
    """A lead's new PIN or password, with the reason."""

    why: Why = ""


class NewPerson(SignIn):
    """Somebody new."""

    role: AnyRole


class NewSecret(Request):
    """Another PIN or password; ``old`` when it is one's own."""

    secret: Secret
    old: Secret | None = None
    why: Why = ""


class NewRole(Request):
    """Another role, with the reason."""

    role: AnyRole
    why: Why = ""


class Person(Answer):
    """A person, without anything secret."""

    name: str
    role: Role
    open: bool
    added_utc: Utc
    signed_in_utc: Utc | None
    locked_until_utc: Utc | None


class People(Answer):
    """People, in the order they were added."""

    people: list[Person]


class PersonNoted(Answer):
    """Something that was done about a person."""

    number: int
    name: str
    act: str
    at_utc: Utc
    who: str
    why: str
    body: Json


class PeopleHistory(Answer):
    """Entries about people, oldest first."""

    entries: list[PersonNoted]


class Session(Answer):
    """A session. The token is told once, and to programs only: a browser has it as a cookie that
    its scripts cannot read."""

    token: str
    """Empty for a browser."""
    name: str
    role: Role
    csrf: str
    until: Utc


class SignInNow(Answer):
    """One sign-in that lasts."""

    begun_utc: Utc
    used_utc: Utc
    until_utc: Utc
    address: str
    """Where it came from."""
    this: bool
    """The one that asks."""


class Others(Answer):
    """How many sign-ins were ended."""

    ended: int


class SignedOut(Answer):
    """Whether a session was ended."""

    signed_out: bool


class Me(Answer):
    """Who is asking."""

    name: str
    role: Role
    csrf: str | None
    until: Utc | None
    local: bool = Field(description="A program on this computer that did not sign in.")
    rights: list[str]
    sign_ins: list[SignInNow] = Field(description="Of this person, the one used last first.")
