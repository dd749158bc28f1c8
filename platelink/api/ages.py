"""How old is what a plate is made with: its lot once open, and the bath of the washout."""

from __future__ import annotations

from datetime import timedelta

from platelink.api.context import Context
from platelink.api.stores import journal
from platelink.contract.plates import NewPlate
from platelink.contract.wire import Ages
from platelink.recipe.store import RecipeStore
from platelink.record.uses import uses_since

BATH = "bath"
"""The item of maintenance that is the bath: done when it is renewed."""


def ages(here: Context, store: RecipeStore | None, request: NewPlate) -> Ages | None:
    """As far as the stores and the journal tell; None where they tell nothing."""
    if store is None:
        return None
    lots = {now.lot.name: now for now in store.shelf.lots()}
    lot = lots.get(request.lot or "")
    opened = None if lot is None else lot.opened_on
    open_days = None if opened is None else max(0.0, float((here.today() - opened).days))
    days, washed_m2 = _bath(here, store)
    found = (open_days, days, washed_m2)
    if all(one is None for one in found):
        return None
    return Ages(lot_open_days=open_days, bath_days=days, bath_m2=washed_m2)


def _bath(here: Context, store: RecipeStore) -> tuple[float | None, float | None]:
    """Days since it was renewed, and what was washed in it since, m²; None: not on record."""
    items = (now for now in store.shelf.items() if now.item.name.casefold() == BATH)
    now = next((now for now in items if now.closed is None), None)
    if now is None:
        return None, None
    at = here.now()
    days = max(0.0, (at - now.since_utc) / timedelta(days=1))
    if not here.settings.journal.exists():
        return days, 0.0
    with journal(here) as reader:
        uses = [use for use in uses_since(reader, now.since_utc) if use.at_utc <= at]
    areas = [use.washed_cm2 for use in uses if use.plate]
    if any(area is None for area in areas):
        return days, None
    return days, sum(area for area in areas if area is not None) / 1e4
