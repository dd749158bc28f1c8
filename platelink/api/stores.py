"""The store of recipes and the journal, opened for one request."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from platelink.api.context import Context
from platelink.api.errors import ApiError, unusable
from platelink.recipe.store import RecipeStore, StoreError, StoreRefused
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader

_T = TypeVar("_T")


@contextmanager
def reading(here: Context) -> Iterator[RecipeStore | None]:
    """The store of recipes to read; None before anything was added."""
    path = here.settings.recipes
    if not path.exists():
        yield None
        return
    with _translated(), RecipeStore.open(path, read_only=True) as store:
        yield store


@contextmanager
def writing(here: Context) -> Iterator[RecipeStore]:
    """The store of recipes to write."""
    with _translated(), RecipeStore.open(here.settings.recipes) as store:
        yield store


@contextmanager
def _translated() -> Iterator[None]:
    try:
        yield
    except StoreRefused as error:
        raise ApiError(str(error), "refused") from None
    except StoreError as error:
        raise unusable(error) from error


def found(store: RecipeStore | None, look: Callable[[RecipeStore], _T]) -> _T:
    """What is looked for in the store; ``ApiError`` "unknown" says what there is instead."""
    if store is None:
        raise ApiError("there is none yet; add one", "unknown")
    try:
        return look(store)
    except StoreRefused as error:
        raise ApiError(str(error), "unknown") from None


@contextmanager
def journal(here: Context) -> Iterator[JournalReader]:
    """The journal to read."""
    try:
        with Journal.open(here.settings.journal, read_only=True) as reader:
            yield reader
    except JournalError as error:
        raise unusable(error) from error
