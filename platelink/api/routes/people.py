"""Signing in and out, and the people of the unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Query, Response
from starlette.requests import Request

from platelink.api.authentication import BEGIN, COOKIE, by_browser, local_owner, local_peer
from platelink.api.context import Asking, Context, Here, must
from platelink.api.errors import ApiError
from platelink.api.views import people_history_view, person_view, utc
from platelink.api.whence import SCREEN, whence
from platelink.api.who import Who
from platelink.contract.base import Nothing, Reasoned
from platelink.contract.people import (
    FirstLead,
    Me,
    NewPerson,
    NewRole,
    NewSecret,
    Others,
    People,
    PeopleHistory,
    Person,
    Regain,
    Session,
    SignedOut,
    SignIn,
    SignInNow,
)
from platelink.contract.wire import NoteSecurity
from platelink.events.event import EventName
from platelink.ledger.by import By
from platelink.people import names
from platelink.people.rights import Right, may
from platelink.people.state import Person as PersonNow
from platelink.people.store import People as PeopleStore

router = APIRouter(tags=["people"])
SCREEN_S = 400 * 86_400
"""How long a browser is known; browsers keep a cookie no longer."""


@router.post("/v1/sign-in")
async def sign_in(body: SignIn, request: Request, response: Response, here: Here) -> Session:
    """A session: a token for programs, the same as a cookie for browsers, and its CSRF token."""
    standing = await here.accounts.standing()
    if not standing.anybody:
        raise ApiError(standing.lost or BEGIN, "sign in")
    came = whence(request.scope)
    try:
        signed_in = await here.accounts.sign_in(body.name, body.secret, came)
    except ApiError as error:
        what = "sign-ins too many" if error.kind == "too many" else "sign-in refused"
        here.security.note(what, address=came.address)
        raise
    here.security.note("sign-in", who=signed_in.session.person.name, address=came.address)
    response.set_cookie(COOKIE, signed_in.token, httponly=True, samesite="strict", path="/")
    if not came.local:
        response.set_cookie(
            SCREEN, signed_in.screen, SCREEN_S, httponly=True, samesite="strict", path="/"
        )
    session = signed_in.session
    return Session(
        token="" if by_browser(request.scope) else signed_in.token,
        name=session.person.name,
        role=session.person.role,
        csrf=session.csrf,
        until=utc(session.until_utc),
    )


@router.post("/v1/sign-out")
async def sign_out(body: Nothing, response: Response, here: Here, who: Asking) -> SignedOut:
    """End the session."""
    token = who.token
    if token is None:
        raise ApiError("you are not signed in", "refused")
    response.delete_cookie(COOKIE, httponly=True, samesite="strict", path="/")
    return SignedOut(
        signed_out=await here.accounts.quick(lambda p: p.sign_ins.sign_out(token, here.now()))
    )


@router.get("/v1/me")
async def me(here: Here, who: Asking) -> Me:
    """Who is asking, and what they may do."""
    session = None if who.token is None else await here.accounts.signed_in(who.token)
    return Me(
        name=session.person.name if session else who.name,
        role=session.person.role if session else who.role,
        csrf=session.csrf if session else None,
        until=utc(session.until_utc) if session else None,
        local=who.token is None,
        rights=rights_of(who),
        sign_ins=await _sign_ins(here, who),
    )


async def _sign_ins(here: Context, who: Who) -> list[SignInNow]:
    token = who.token
    if token is None:
        return []
    found = await here.accounts.quick(lambda p: p.sign_ins.lasting(token, here.now()))
    return [
        SignInNow(begun_utc=utc(one.begun_utc), used_utc=utc(one.used_utc),
                  until_utc=utc(one.until_utc), address=one.address, this=one.this)
        for one in found
    ]  # fmt: skip


@router.post("/v1/sign-out-others")
async def sign_out_others(body: Nothing, here: Here, who: Asking) -> Others:
    """End all other sessions of the person who asks."""
    token = who.token
    if token is None:
        raise ApiError("you are not signed in", "refused")
    ended = await here.accounts.quick(lambda p: p.sign_ins.end_others(token, here.now()))
    return Others(ended=ended)


@router.get("/v1/people")
async def people(here: Here) -> People:
    """Everybody, in the order they were added."""
    at_utc = here.now()
    found = (
        ()
        if not await here.accounts.anybody()
        else await here.accounts.quick(lambda p: p.log.people())
    )
    return People(people=[person_view(person, at_utc) for person in found])


@router.get("/v1/people-history")
async def people_history(
    here: Here,
    name: Annotated[str | None, Query(max_length=200)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> PeopleHistory:
    """The newest entries about somebody, or about everybody; oldest first."""
    if not await here.accounts.anybody():
        return PeopleHistory(entries=[])
    found = await here.accounts.quick(lambda p: p.log.history(name))
    return PeopleHistory(entries=people_history_view(found[-limit:]))


@router.post("/v1/people/first")
async def add_first(body: FirstLead, request: Request, here: Here) -> Person:
    """The first lead: by a program on this computer, while nobody is entered. Where the people
    entered before are lost: by the owner of the unit's files or root, with the reason."""
    standing = await here.accounts.standing()
    if standing.anybody:
        raise ApiError("this unit has users already; a lead signs in and adds others", "refused")
    peer = local_owner(request.scope) if standing.lost else local_peer(request.scope)
    if standing.lost and not (peer and body.why.strip()):
        raise ApiError(standing.lost, "no right")
    if peer is None:
        raise ApiError(
            "add the first lead on the unit's own computer: platelink user first",
            "no right",
        )
    by = By(peer, here.now(), body.why)
    person = await here.accounts.prove(lambda p: p.add_first(body.name, body.secret, by))
    remember_people(here, peer, body.why)
    return person_view(person, here.now())


@router.post("/v1/people/regain")
async def regain(body: Regain, request: Request, here: Here) -> Person:
    """A lead's new PIN or password, with the reason, by the owner of the unit's files or root: for
    a lead who forgot theirs where no other is left."""
    owner = local_owner(request.scope)
    if owner is None:
        raise ApiError(
            "only the owner of the unit's files or root does this, on the unit's own computer: "
            f"sudo platelink user regain '{body.name}'",
            "no right",
        )
    by = By(owner, here.now(), body.why)
    person = await here.accounts.prove(lambda p: p.regain(body.name, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people")
async def add_person(body: NewPerson, here: Here, who: Asking) -> Person:
    """Somebody new, with a PIN or password to begin with."""
    by = here.by(who)
    person = await here.accounts.prove(lambda p: p.add(body.name, body.role, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people/{name}/secret")
async def change_secret(
    name: str, body: NewSecret, request: Request, here: Here, who: Asking
) -> Person:
    """Another PIN or password: one's own with the old one, or as a lead somebody else's."""
    if body.old is not None:
        if name != who.name:
            raise ApiError("the present PIN or password is only needed for your own", "no right")
        await here.accounts.change_own_secret(name, body.old, body.secret, whence(request.scope))
        return person_view(await here.accounts.quick(lambda p: p.log.person(name)), here.now())
    if names.key(name) == names.key(who.name) and who.token is not None:
        raise ApiError("to change your own PIN or password, give the present one", "no right")
    must(who, Right.CHANGE_PEOPLE)
    by = here.by(who, body.why)
    person = await here.accounts.prove(lambda p: p.change_secret(name, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people/{name}/role")
async def change_role(name: str, body: NewRole, here: Here, who: Asking) -> Person:
    """Another role, with the reason; it holds at once."""
    by = here.by(who, body.why)
    return await _done(here, lambda p: p.change_role(name, body.role, by))


@router.post("/v1/people/{name}/close")
async def close_person(name: str, body: Reasoned, here: Here, who: Asking) -> Person:
    """They have left, with the reason: they are signed out and cannot sign in."""
    return await _done(here, lambda p: p.close_person(name, here.by(who, body.why)))


@router.post("/v1/people/{name}/open")
async def open_person(name: str, body: Reasoned, here: Here, who: Asking) -> Person:
    """They are back, with the reason."""
    return await _done(here, lambda p: p.open_person(name, here.by(who, body.why)))


@router.post("/v1/people/{name}/unlock")
async def unlock_person(name: str, body: Reasoned, here: Here, who: Asking) -> Person:
    """Unlock a person after too many wrong tries."""
    return await _done(here, lambda p: p.unlock(name, here.by(who, body.why)))


def remember_people(here: Context, who: str, why: str = "") -> None:
    """Have the journal remember that people are entered."""
    text = f"this unit has users from now on{f': {why}' if why.strip() else ''}"
    here.security.tell(NoteSecurity(what=EventName.PEOPLE_ENTERED, text=text[:1000], who=who))


async def _done(here: Context, act: Callable[[PeopleStore], PersonNow]) -> Person:
    return person_view(await here.accounts.quick(act), here.now())


def rights_of(who: Who) -> list[str]:
    """Names of the rights, as a face may use them."""
    return [right.name.lower() for right in Right if may(who.role, right)]
