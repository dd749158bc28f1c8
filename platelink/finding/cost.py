"""Scrap, and what a good plate costs, of verdicts in the record and prices of the shop. Pure.

The whole of what all plates took is shared by the good ones. What has no price, or is not on
record, is told as not known and never counted as nothing. The interval of the share of scrap is
Wilson's (JASA 22, 1927, 209-212; NIST/SEMATECH e-Handbook 7.2.4.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from platelink.contract.cost import Cost, CostPart
from platelink.record.stored import SpentPlate

Z = 1.959963984540054
"""The 97.5 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Of the shop, in its currency; None: none was given."""

    stock_per_m2: float | None = None
    lamp_hour: float | None = None
    labour_minute: float | None = None
    currency: str = ""


def scrap_interval(scrap: int, decided: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share."""
    share, whole = scrap / decided, 1.0 + Z * Z / decided
    middle = share + Z * Z / (2.0 * decided)
    half = Z * math.sqrt(share * (1.0 - share) / decided + Z * Z / (4.0 * decided**2))
    return (middle - half) / whole, (middle + half) / whole


def cost(
    plates: Sequence[SpentPlate], light_outside_s: float, prices: Prices,
    *, since: datetime, until: datetime,
) -> Cost:  # fmt: skip
    """What these plates came to."""
    good = sum(one.complete and one.verdict == "good" for one in plates)
    undecided = sum(one.complete and not one.verdict for one in plates)
    decided = len(plates) - undecided
    scrap = decided - good
    low, high = scrap_interval(scrap, decided) if decided else (None, None)
    parts = [
        _part("stock", "m²", prices.stock_per_m2,
              [None if p.area_cm2 is None else p.area_cm2 / 1e4 for p in plates]),
        _part("light", "h", prices.lamp_hour,
              [None if p.light_s is None else p.light_s / 3600.0 for p in plates]),
        _part("work", "min", prices.labour_minute, [p.hand_s / 60.0 for p in plates]),
    ]  # fmt: skip
    known = [one.cost for one in parts if one.cost is not None]
    total = sum(known) if known else None
    return Cost(
        since_utc=since.isoformat(), until_utc=until.isoformat(), plates=len(plates), good=good,
        scrap=scrap, undecided=undecided, scrap_share=scrap / decided if decided else None,
        scrap_low=low, scrap_high=high, parts=parts, total=total,
        good_plate=total / good if total is not None and good else None,
        currency=prices.currency, not_known=_not_known(parts, len(plates)),
        light_outside_h=light_outside_s / 3600.0,
    )  # fmt: skip


def _part(name: str, unit: str, price: float | None, amounts: Sequence[float | None]) -> CostPart:
    known = [one for one in amounts if one is not None]
    unknown, amount = len(amounts) - len(known), sum(known)
    priced = price is not None and (known or not amounts)
    return CostPart(
        name=name, amount=amount, unit=unit, price=price,
        cost=amount * price if priced and price is not None else None, unknown=unknown,
    )  # fmt: skip


def _not_known(parts: Sequence[CostPart], plates: int) -> list[str]:
    found = []
    for one in parts:
        if one.price is None:
            found.append(f"{one.name} has no price: set it in [cost] of the configuration")
        if one.unknown:
            found.append(f"{one.name} of {one.unknown} of {plates} plates is not on record")
    return found
