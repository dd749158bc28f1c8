"""The store of recipes and the journal, opened for one request."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import TypeVar

from platelink.api.accounts import Accounts
from platelink.api.context import Context
from platelink.api.errors import ApiError, unusable
from platelink.api.remembered import now_utc, people_remembered
from platelink.calibrations.store import CalibrationStore
from platelink.contract.service import Settings
from platelink.experiments.store import ExperimentStore
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.recipe.store import RecipeStore
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader

_T = TypeVar("_T")


@contextmanager
def reading(here: Context) -> Iterator[RecipeStore | None]:
    """The store of recipes to read; None before anything was added."""
    path = here.settings.recipes
    if not path.exists():
        yield None
        return
    with translated(), RecipeStore.open(path, read_only=True) as store:
        yield store


@contextmanager
def writing(here: Context) -> Iterator[RecipeStore]:
    """The store of recipes to write."""
    with translated(), RecipeStore.open(here.settings.recipes) as store:
        yield store


@contextmanager
def reading_calibrations(here: Context) -> Iterator[CalibrationStore | None]:
    """The store of calibrations to read; None before anything was calibrated."""
    path = here.settings.calibrations
    if not path.exists():
        yield None
        return
    with translated(), CalibrationStore.open(path, read_only=True) as store:
        yield store


@contextmanager
def writing_calibrations(here: Context) -> Iterator[CalibrationStore]:
    """The store of calibrations to write."""
    with translated(), CalibrationStore.open(here.settings.calibrations) as store:
        yield store


@contextmanager
def reading_experiments(here: Context) -> Iterator[ExperimentStore | None]:
    """The store of experiments to read; None before the first was begun."""
    path = here.settings.experiments
    if not path.exists():
        yield None
        return
    with translated(), ExperimentStore.open(path, read_only=True) as store:
        yield store


@contextmanager
def writing_experiments(here: Context) -> Iterator[ExperimentStore]:
    """The store of experiments to write."""
    with translated(), ExperimentStore.open(here.settings.experiments) as store:
        yield store


@contextmanager
def translated() -> Iterator[None]:
    """What a store refuses or cannot do, as an answer."""
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


def accounts_of(settings: Settings) -> Accounts:
    """The people of a unit, and what its journal remembers of them."""
    remembered = partial(people_remembered, settings.journal)
    return Accounts(settings.people, now_utc, remembered=remembered)


@contextmanager
def journal(here: Context) -> Iterator[JournalReader]:
    """The journal to read."""
    try:
        with JournalReader.open(here.settings.journal) as reader:
            yield reader
    except JournalError as error:
        raise unusable(error) from error
