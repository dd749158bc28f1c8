"""Recipes: their revisions, what differs between them, and who approved what."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import PlainTextResponse

from platelink.api.context import Asking, Here
from platelink.api.errors import ApiError
from platelink.api.stores import found, reading, writing
from platelink.api.views import changes_view, recipe_view, revision_view
from platelink.contract.base import Reasoned
from platelink.contract.recipes import (
    Added,
    Change,
    Checked,
    Diff,
    RecipeFile,
    Recipes,
    RecipeWhole,
    Revision,
)
from platelink.contract.words import Role
from platelink.forms.write import to_toml
from platelink.recipe.diff import diff
from platelink.recipe.life import present
from platelink.recipe.load import RecipeFileError, loads
from platelink.recipe.model import Recipe
from platelink.recipe.store import RecipeStore

router = APIRouter(tags=["recipes"])


class Toml(PlainTextResponse):
    """A recipe as a file."""

    media_type = "application/toml"


Which = Annotated[str, Query(max_length=200, description="As in plate-a, plate-a@2, or a hash.")]


@router.get("/v1/recipes")
def recipes(here: Here, every: bool = False) -> Recipes:
    """Each recipe by its present revision; with ``every`` all revisions."""
    with reading(here) as store:
        if store is None:
            return Recipes(recipes=[])
        rows = []
        for recipe in store.recipes():
            revisions = store.revisions(recipe)
            now = present(revisions)
            rows += [r for r in revisions if every or r is now]
        return Recipes(recipes=[recipe_view(r, store.recipe(r)) for r in rows])


@router.get("/v1/recipes/{which}")
def recipe(which: str, here: Here) -> RecipeWhole:
    """One revision with its content, in platelink's own units."""
    with reading(here) as store:
        revision = found(store, lambda s: s.find(which))
        assert store is not None
        content = store.recipe(revision).content()
        every = [revision_view(r) for r in store.revisions(revision.recipe)]
        return RecipeWhole(**dict(revision_view(revision)), content=content, revisions=every)


@router.get("/v1/recipes/{which}/toml", response_class=Toml)
def recipe_toml(which: str, here: Here) -> Toml:
    """The content of one revision as a file that can be changed and added again."""
    with reading(here) as store:
        content = found(store, lambda s: s.recipe(s.find(which)))
    return Toml(to_toml(content))


@router.get("/v1/recipe-diff")
def recipe_diff(a: Which, b: Which, here: Here) -> Diff:
    """What ``b`` does differently from ``a``, step by step, in words and units."""
    with reading(here) as store:
        old = found(store, lambda s: s.recipe(s.find(a)))
        new = found(store, lambda s: s.recipe(s.find(b)))
    changes = diff(old, new)
    return Diff(same=not changes, changes=changes_view(changes))


@router.post("/v1/recipe-check")
def check_recipe(body: RecipeFile, here: Here) -> Checked:
    """Everything that is wrong with a recipe as a file has it, and what it would change."""
    try:
        content = loads(body.toml)
    except RecipeFileError as error:
        problems = [str(problem) for problem in error.problems]
        return Checked(
            ok=False, problems=problems, recipe=None, hash=None, against=None, changes=[]
        )
    with reading(here) as store:
        against, changes = (None, []) if store is None else _against(store, content)
    return Checked(
        ok=True, problems=[], recipe=content.id, hash=content.content_hash(), against=against,
        changes=changes,
    )  # fmt: skip


@router.post("/v1/recipes")
def add_recipe(body: RecipeFile, here: Here, who: Asking) -> Added:
    """A new draft."""
    try:
        content = loads(body.toml)
    except RecipeFileError as error:
        raise ApiError(str(error), "misuse") from None
    with writing(here) as store:
        against, changes = _against(store, content)
        revision = store.add(content, here.by(who, body.why))
    return Added(**dict(revision_view(revision)), against=against, changes=changes)


async def other_leads(here: Here, who: Asking) -> int:
    """Leads besides the one who asks."""
    if not (await here.accounts.standing()).anybody:
        return 0
    people = await here.accounts.quick(lambda people: people.log.people())
    return sum(p.open and p.role is Role.LEAD and p.name != who.name for p in people)


@router.post("/v1/recipes/{which}/approve")
def approve_recipe(
    which: str, body: Reasoned, here: Here, who: Asking,
    others: Annotated[int, Depends(other_leads)],
) -> Revision:  # fmt: skip
    """Approve a draft, named with its number; the revision approved so far retires. Who drafted it
    approves it only where the configuration says so, or no other lead is there."""
    allowed = here.settings.own_approval
    own_may = allowed == "yes" or (allowed == "auto" and not others)
    with writing(here) as store:
        draft = found(store, lambda s: s.find(which))
        if draft.life[0].who == who.name and not own_may:
            raise ApiError(
                f"{draft.name} is your own draft: another lead must approve it "
                "([recipes] own_approval in the configuration)",
                "refused",
            )
        return revision_view(store.approve(which, here.by(who, body.why)))


@router.post("/v1/recipes/{which}/retire")
def retire_recipe(which: str, body: Reasoned, here: Here, who: Asking) -> Revision:
    """Retire a draft or an approved revision, named with its number."""
    with writing(here) as store:
        found(store, lambda s: s.find(which))
        return revision_view(store.retire(which, here.by(who, body.why)))


def _against(store: RecipeStore, content: Recipe) -> tuple[str | None, list[Change]]:
    """The present revision of the same recipe, and what differs from it."""
    now = present(store.revisions(content.id))
    if now is None:
        return None, []
    return now.name, changes_view(diff(store.recipe(now), content))
