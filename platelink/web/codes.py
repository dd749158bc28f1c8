"""What a scanned code names: a lot, screen, film, recipe or person, and where that is shown.

Plates in flight the browser knows itself; everything else is searched for in the history."""

from __future__ import annotations

import asyncio
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from platelink.contract.people import Me, People
from platelink.contract.recipes import Recipes
from platelink.contract.stock import Films, Lots, Screens
from platelink.web.service import ServiceSays, get, part

SEE_PEOPLE = "change_people"
MOST_CHARACTERS = 200


async def code(request: Request) -> Response:
    """Kind, name and place of what ``is`` names; what nothing has as its name is searched for in
    the history."""
    text = request.query_params.get("is", "").strip()[:MOST_CHARACTERS]
    try:
        me = await get(request, Me, "/v1/me")
        kind, name, to = await _place(request, text, me)
    except ServiceSays as error:
        return JSONResponse({"error": error.text, "kind": error.kind}, error.status)
    return JSONResponse({"kind": kind, "name": name, "to": to})


async def _place(request: Request, text: str, me: Me) -> tuple[str, str, str]:
    lots, screens, films, recipes = await asyncio.gather(
        get(request, Lots, "/v1/lots"),
        get(request, Screens, "/v1/screens"),
        get(request, Films, "/v1/films"),
        get(request, Recipes, "/v1/recipes", every="true"),
    )
    if any(lot.name == text for lot in lots.lots):
        return "lot", text, f"/stock#lot-{part(text)}"
    if any(screen.name == text for screen in screens.screens):
        return "screen", text, f"/stock#screen-{part(text)}"
    if any(film.name == text for film in films.films):
        return "film", text, f"/stock#film-{part(text)}"
    for row in recipes.recipes:
        if text == row.name or (text == row.recipe and row.state == "approved"):
            return "recipe", row.name, f"/recipes/{part(row.name)}"
    if SEE_PEOPLE in me.rights:
        people = (await get(request, People, "/v1/people")).people
        if any(person.name == text for person in people):
            return "person", text, f"/people#person-{part(text)}"
    return "", text, f"/history?search={quote(text)}"
