"""Signing in and out, and the people of the unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from starlette.requests import Request

from platelink.api import shapes
from platelink.api.bodies import (
    FirstBody,
    Nothing,
    PersonBody,
    RegainBody,
    RoleBody,
    SecretBody,
    SignInBody,
    WhyBody,
)
from platelink.api.context import Asking, Context, Here, must
from platelink.api.door import COOKIE, local_owner, local_peer
from platelink.api.errors import ApiError
from platelink.api.shapes import told
from platelink.api.views import history_view, person_view, session_view
from platelink.api.who import Who
from platelink.ledger.by import By
from platelink.people.rights import Right, may
from platelink.people.state import Person
from platelink.people.store import People

router = APIRouter(tags=["people"])
Line = dict[str, Any]


@router.post("/v1/sign-in", responses=told(shapes.Session))
async def sign_in(body: SignInBody, response: Response, here: Here) -> Line:
    """A session: a token for programs, the same as a cookie for browsers, and its CSRF token."""
    if not await here.desk.anybody():
        raise ApiError(
            "nobody is entered yet; enter the first lead on the unit's own computer: "
            "platelink user first",
            "sign in",
        )
    signed_in = await here.desk.sign_in(body.name, body.secret)
    response.set_cookie(COOKIE, signed_in.token, httponly=True, samesite="strict", path="/")
    return {"token": signed_in.token, **session_view(signed_in.session)}


@router.post("/v1/sign-out", responses=told(shapes.SignedOut))
async def sign_out(body: Nothing, response: Response, here: Here, who: Asking) -> Line:
    """End the session."""
    token = who.token
    if token is None:
        raise ApiError("there is no sign-in to end", "refused")
    response.delete_cookie(COOKIE, httponly=True, samesite="strict", path="/")
    return {"signed_out": await here.desk.quick(lambda p: p.sign_out(token, here.now()))}


@router.get("/v1/me", responses=told(shapes.Me))
async def me(here: Here, who: Asking) -> Line:
    """Who is asking, and what they may do."""
    session = None if who.token is None else await here.desk.signed_in(who.token)
    known = {"name": who.name, "role": str(who.role), "csrf": None, "until": None}
    return {
        **(known if session is None else session_view(session)),
        "local": who.token is None,
        "rights": rights_of(who),
    }


@router.get("/v1/people", responses=told(shapes.People))
async def people(here: Here) -> Line:
    """Everybody, in the order they were added."""
    at_utc = here.now()
    found = () if not await here.desk.anybody() else await here.desk.quick(People.people)
    return {"people": [person_view(person, at_utc) for person in found]}


@router.get("/v1/people-history", responses=told(shapes.PeopleHistory))
async def people_history(
    here: Here,
    name: Annotated[str | None, Query(max_length=200)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> Line:
    """The newest entries about somebody, or about everybody; oldest first."""
    if not await here.desk.anybody():
        return {"entries": []}
    found = await here.desk.quick(lambda p: p.history(name))
    return {"entries": history_view(found[-limit:])}


@router.post("/v1/people/first", responses=told(shapes.Person))
async def add_first(body: FirstBody, request: Request, here: Here) -> Line:
    """The first lead: by a program on this computer, while nobody is entered."""
    if await here.desk.anybody():
        raise ApiError("there are people already; a lead signs in and adds others", "refused")
    peer = local_peer(request.scope)
    if peer is None:
        raise ApiError(
            "the first lead is entered on the unit's own computer: platelink user first",
            "no right",
        )
    by = By(peer, here.now())
    person = await here.desk.prove(lambda p: p.add_first(body.name, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people/regain", responses=told(shapes.Person))
async def regain(body: RegainBody, request: Request, here: Here) -> Line:
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
    person = await here.desk.prove(lambda p: p.regain(body.name, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people", responses=told(shapes.Person))
async def add_person(body: PersonBody, here: Here, who: Asking) -> Line:
    """Somebody new, with a PIN or password to begin with."""
    by = here.by(who)
    person = await here.desk.prove(lambda p: p.add(body.name, body.role, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people/{name}/secret", responses=told(shapes.Person))
async def change_secret(name: str, body: SecretBody, here: Here, who: Asking) -> Line:
    """Another PIN or password: one's own with the old one, or as a lead somebody else's."""
    if body.old is not None:
        if name != who.name:
            raise ApiError("only the own PIN or password is changed with the old one", "no right")
        await here.desk.change_own_secret(name, body.old, body.secret)
        return person_view(await here.desk.quick(lambda p: p.person(name)), here.now())
    must(who, Right.CHANGE_PEOPLE)
    by = here.by(who, body.why)
    person = await here.desk.prove(lambda p: p.change_secret(name, body.secret, by))
    return person_view(person, here.now())


@router.post("/v1/people/{name}/role", responses=told(shapes.Person))
async def change_role(name: str, body: RoleBody, here: Here, who: Asking) -> Line:
    """Another role, with the reason; it holds at once."""
    by = here.by(who, body.why)
    return await _done(here, lambda p: p.change_role(name, body.role, by))


@router.post("/v1/people/{name}/close", responses=told(shapes.Person))
async def close_person(name: str, body: WhyBody, here: Here, who: Asking) -> Line:
    """They have left, with the reason: they are signed out and cannot sign in."""
    return await _done(here, lambda p: p.close_person(name, here.by(who, body.why)))


@router.post("/v1/people/{name}/open", responses=told(shapes.Person))
async def open_person(name: str, body: WhyBody, here: Here, who: Asking) -> Line:
    """They are back, with the reason."""
    return await _done(here, lambda p: p.open_person(name, here.by(who, body.why)))


@router.post("/v1/people/{name}/unlock", responses=told(shapes.Person))
async def unlock_person(name: str, body: WhyBody, here: Here, who: Asking) -> Line:
    """End a lock after too many wrong tries."""
    return await _done(here, lambda p: p.unlock(name, here.by(who, body.why)))


async def _done(here: Context, act: Callable[[People], Person]) -> Line:
    return person_view(await here.desk.quick(act), here.now())


def rights_of(who: Who) -> list[str]:
    """Names of the rights, as a face may use them."""
    return [right.name.lower() for right in Right if may(who.role, right)]
