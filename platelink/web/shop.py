"""Views of what plates are made by and of: recipes, stock, screens, the unit itself, people."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import Response

from platelink.contract.lamps import LampsNow
from platelink.contract.people import Me, People
from platelink.contract.plates import Plates
from platelink.contract.recipes import Diff, Recipes, RecipeWhole
from platelink.contract.runs import Device
from platelink.contract.stock import Films, Lots, Screens
from platelink.contract.upkeep import Items
from platelink.web.facts import facts
from platelink.web.service import get, part
from platelink.web.show import show

SEE_PEOPLE = "change_people"
LATELY = 60
"""Plates that say what was used lately."""


async def new_plate(request: Request) -> Response:
    """The form of a new plate; what was used lately comes first."""
    me, recipes, lots, films, plates = await asyncio.gather(
        get(request, Me, "/v1/me"),
        get(request, Recipes, "/v1/recipes"),
        get(request, Lots, "/v1/lots"),
        get(request, Films, "/v1/films"),
        get(request, Plates, "/v1/plates", limit=LATELY),
    )
    flying = [(one.recipe, one.lot, one.job) for one in reversed(plates.in_flight)]
    used = flying + [
        (one.request.get("revision"), one.request.get("lot"), one.job) for one in plates.on_record
    ]
    by_recipe = [str(revision).partition("@")[0] for revision, _, _ in used]
    by_lot = [lot for _, lot, _ in used]
    return await show(
        request,
        "new_plate.html",
        me=me,
        recipes=sorted(recipes.recipes, key=lambda row: _place(row.recipe, by_recipe)),
        lots=sorted(lots.lots, key=lambda lot: _place(lot.name, by_lot)),
        films=films.films,
        jobs=list(dict.fromkeys(job for _, _, job in used if job)),
        wanted=request.query_params.get("recipe", ""),
    )


def _place(name: str, used: Sequence[object]) -> int:
    """How lately something was used; the last place where it was not."""
    return used.index(name) if name in used else len(used)


async def recipes(request: Request) -> Response:
    """Every revision."""
    return await show(
        request, "recipes.html", recipes=get(request, Recipes, "/v1/recipes", every="true")
    )


async def recipe(request: Request) -> Response:
    """One revision: its steps, its life, and what may be done with it."""
    which = part(request.path_params["which"])
    return await show(
        request,
        "recipe.html",
        recipe=get(request, RecipeWhole, f"/v1/recipes/{which}"),
        facts=facts,
    )


async def recipe_diff(request: Request) -> Response:
    """What differs between two revisions."""
    a, b = request.query_params.get("a", ""), request.query_params.get("b", "")
    return await show(
        request, "recipe_diff.html", a=a, b=b, diff=get(request, Diff, "/v1/recipe-diff", a=a, b=b)
    )


async def stock(request: Request) -> Response:
    """Lots, screens and films."""
    return await show(
        request,
        "stock.html",
        lots=get(request, Lots, "/v1/lots"),
        screens=get(request, Screens, "/v1/screens"),
        films=get(request, Films, "/v1/films"),
    )


async def unit(request: Request) -> Response:
    """Lamps, sensors, firmware, settings."""
    return await show(
        request,
        "unit.html",
        device=get(request, Device, "/v1/device"),
        lamps=get(request, LampsNow, "/v1/lamps"),
        upkeep=get(request, Items, "/v1/maintenance"),
        facts=facts,
    )


async def people(request: Request) -> Response:
    """Who may do what, for a lead; for everybody their own PIN or password."""
    me = await get(request, Me, "/v1/me")
    sees = SEE_PEOPLE in me.rights
    everybody = (await get(request, People, "/v1/people")).people if sees else []
    return await show(request, "people.html", me=me, people=everybody)
