"""What the doctor says of maintenance."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from platelink.api.upkeep import items_view
from platelink.contract.upkeep import SAID_BY, Item
from platelink.doctor.findings import Finding, fault
from platelink.ledger.errors import StoreError
from platelink.recipe.store import RecipeStore
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader

_SUBJECT = "maintenance"


def upkeep(recipes: Path, journal: Path) -> Iterator[Finding]:
    """What is due and since when; calibrations are told beside the configuration."""
    if not recipes.exists():
        return
    try:
        found = _items(recipes, journal)
    except (StoreError, JournalError) as error:
        yield fault(_SUBJECT, error)
        return
    for one in found:
        counted = "; ".join(interval.text for interval in one.intervals)
        if one.due_since_utc is not None:
            since = datetime.fromisoformat(one.due_since_utc).astimezone().date()
            record = SAID_BY.get(one.reset_by, f"platelink maintenance done {one.name}")
            yield Finding(
                _SUBJECT, "notice", f"{one.name} is due since {since}", counted,
                f"do it, then: {record}",
            )  # fmt: skip
        elif not one.sure:
            yield Finding(
                _SUBJECT, "unknown", f"{one.name} may be due: not all was counted", counted,
                "look at it; plates with an area (--area) are counted",
            )  # fmt: skip
    if found and all(one.due_since_utc is None and one.sure for one in found):
        yield Finding(_SUBJECT, "ok", f"none of {len(found)} items is due")


def _items(recipes: Path, journal: Path) -> list[Item]:
    now = datetime.now(UTC)
    with RecipeStore.open(recipes, read_only=True) as store:
        items = [one for one in store.shelf.items() if one.closed is None]
    if not items or not journal.exists():
        return items_view(items, None, at_utc=now)
    with JournalReader.open(journal) as reader:
        return items_view(items, reader, at_utc=now)
