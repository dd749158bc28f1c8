"""Recipes of the shop: out of its store, and into that of a unit."""

from __future__ import annotations

from collections.abc import Iterator

from platelink.distribution.model import Recipes, RetiredRecipe, SentRecipe, Signed
from platelink.distribution.wrong import NotTaken
from platelink.ledger.by import By
from platelink.recipe.life import Revision, State
from platelink.recipe.load import from_content
from platelink.recipe.model import Recipe
from platelink.recipe.store import RecipeStore


def sent_recipes(store: RecipeStore) -> tuple[tuple[SentRecipe, ...], tuple[RetiredRecipe, ...]]:
    """All that is approved, and every content that is retired and not approved again."""
    approved: list[SentRecipe] = []
    retired: dict[tuple[str, str], RetiredRecipe] = {}
    for recipe in store.recipes():
        for one in store.revisions(recipe):
            last = one.life[-1]
            by = Signed(who=last.who, at_utc=last.at_utc, why=last.why)
            if one.state is State.APPROVED:
                content = store.recipe(one).content()
                approved.append(
                    SentRecipe(name=one.name, hash=one.content_hash, content=content, approved=by)
                )
            elif one.state is State.RETIRED:
                key = recipe, one.content_hash
                retired[key] = RetiredRecipe(recipe=recipe, hash=one.content_hash, retired=by)
    for sent in approved:
        retired.pop((sent.name.partition("@")[0], sent.hash), None)
    return tuple(approved), tuple(retired.values())


def take_recipes(store: RecipeStore, given: Recipes, by: By) -> tuple[str, ...]:
    """All of it or nothing; what was changed. ``by`` sent it. ``NotTaken`` and ``StoreRefused`` say
    which recipe is wrong. What the shop does not name stays as it is."""
    wanted = [(sent, _content(sent)) for sent in given.recipes]
    ids = [recipe.id for _, recipe in wanted]
    if len(set(ids)) < len(ids):
        raise NotTaken("two approved revisions of one recipe stand in it: one can be")
    with store.log.entries.database.transaction():
        retired = tuple(_retire(store, given, by))
        taken = tuple(line for sent, recipe in wanted for line in _approve(store, sent, recipe, by))
    return (*taken, *retired)


def _content(sent: SentRecipe) -> Recipe:
    try:
        recipe = from_content(sent.content)
    except ValueError as error:
        raise NotTaken(f"recipe {sent.name} cannot be used here: {error}") from None
    if recipe.content_hash() != sent.hash:
        raise NotTaken(
            f"recipe {sent.name} is another here than the one approved: its content has hash "
            f"{recipe.content_hash()[:12]}, not {sent.hash[:12]}; update platelink here"
        )
    return recipe


def _approve(store: RecipeStore, sent: SentRecipe, recipe: Recipe, by: By) -> Iterator[str]:
    same = _with(store, recipe.id, sent.hash)
    if any(one.state is State.APPROVED for one in same):
        return
    draft = next((one for one in same if one.state is State.DRAFT), None)
    draft = draft or store.add(recipe, by)
    approved = f"{by.why}; {sent.name} at the shop, approved by {sent.approved.who}"
    approved += f" on {sent.approved.at_utc:%Y-%m-%d}"
    if sent.approved.why:
        approved += f": {sent.approved.why}"
    yield f"{store.approve(draft.name, by._replace(why=approved)).name} approved"


def _retire(store: RecipeStore, given: Recipes, by: By) -> Iterator[str]:
    for gone in given.retired:
        for one in _with(store, gone.recipe, gone.hash):
            if one.state is State.APPROVED:
                why = f"{by.why}; retired at the shop by {gone.retired.who}: {gone.retired.why}"
                yield f"{store.retire(one.name, by._replace(why=why)).name} retired"


def _with(store: RecipeStore, recipe: str, content_hash: str) -> list[Revision]:
    return [one for one in store.revisions(recipe) if one.content_hash == content_hash]
