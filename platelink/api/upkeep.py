"""What is due at a unit, of its stores and its journal together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta

from platelink.api.views import utc, utc_if_any
from platelink.contract.runs import Sensor
from platelink.contract.upkeep import IntervalNow, Item
from platelink.finding.due import Standing, standing
from platelink.recipe.upkeep import ItemNow
from platelink.record.reader import JournalReader
from platelink.record.uses import resets, uses_since


def items_view(
    items: Sequence[ItemNow], journal: JournalReader | None, *, at_utc: datetime
) -> list[Item]:
    """Every item as it stands. Without a journal nothing was used yet."""
    since = min((one.since_utc for one in items), default=at_utc)
    uses = [] if journal is None else uses_since(journal, since)
    return [
        item_view(one, standing(one, uses, _resets(journal, one), at_utc=at_utc)) for one in items
    ]


def _resets(journal: JournalReader | None, one: ItemNow) -> Sequence[datetime]:
    return [] if journal is None else resets(journal, one.item.reset_by)


def item_view(now: ItemNow, stands: Standing) -> Item:
    """One item."""
    return Item(
        name=now.item.name,
        reset_by=now.item.reset_by,
        note=now.item.note,
        since_utc=utc(stands.since_utc),
        due_since_utc=None if now.closed else utc_if_any(stands.due_since),
        sure=stands.sure,
        intervals=[
            IntervalNow(
                name=one.name, used=round(one.used, 3), limit=one.limit, unknown=one.unknown,
                due_since_utc=utc_if_any(one.due_since), text=one.text,
            )
            for one in stands.intervals
        ],
        closed=now.closed,
    )  # fmt: skip


def calibrations_due(sensors: Iterable[Sensor], *, today: date) -> list[Item]:
    """Sensors that have a day on which their calibration ends, as items: their day is told by the
    calibration in force, and nobody types it here."""
    found = []
    for one in sensors:
        if one.due_on is None:
            continue
        due = date.fromisoformat(one.due_on)
        over = _morning(due + timedelta(days=1)) if today > due else None
        left = (due - today).days
        said = f"good until {due}, {left} days left" if left >= 0 else f"good until {due}"
        made = None if one.calibrated_on is None else date.fromisoformat(one.calibrated_on)
        used, limit = (0.0, 0.0) if made is None else ((today - made).days, (due - made).days)
        days = IntervalNow(
            name="days", used=used, limit=limit, unknown=0, due_since_utc=utc_if_any(over),
            text=said,
        )  # fmt: skip
        found.append(
            Item(
                name=f"calibration of {one.name}", reset_by="calibration", note=None,
                since_utc=None if made is None else utc(_morning(made)),
                due_since_utc=utc_if_any(over), sure=True, intervals=[days], closed=None,
            )
        )  # fmt: skip
    return found


def due_first(items: Iterable[Item]) -> list[Item]:
    """Those that are due first, longest first; retired ones last."""
    return sorted(items, key=lambda one: (one.closed is not None, one.due_since_utc or "9"))


def _morning(day: date) -> datetime:
    return datetime.combine(day, time()).astimezone(UTC)
