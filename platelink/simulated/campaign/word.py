"""A person's word on what the lamps did while the light sensor was in doubt, by what they saw."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from platelink.contract.unit import Status
from platelink.contract.words import LampsWere
from platelink.simulated.campaign.seen import Look

DOUBT_S = 2.5
"""A light sensor that stands still is in doubt for so long before its light is ended."""
COUNTED_S = 1.5
"""What fell under an order is counted by then."""


def lamps_were(looks: list[Look], asked_at: float, reason: str) -> LampsWere:
    """Of the exposure asked for at ``asked_at``, which says ``reason``. Where they did one thing at
    one time and another at another, nobody knows: one word is taken for all of it."""
    mine = [look for look in looks if look.t >= asked_at]
    held = next((look.t for look in reversed(mine) if look.output), 0.0)
    left_on = [look for look in mine if _says_left_on(look.status)]
    counted = [
        b for a, b in pairwise(_driven_long_ago(mine)) if _dose(b.status) > _dose(a.status) > 0.0
    ]
    if "is stuck" in reason:
        doubt = [look for look in mine if held - DOUBT_S < look.t <= held]
    else:
        unseen = (k for k in mine if k.output and k.status and not k.status.light.measured)
        doubt = list(unseen)[-3:]
    lit = [look.lit for look in (*counted, *doubt, *left_on)]
    if any(lit) and not all(lit):
        return LampsWere.UNKNOWN
    return LampsWere.ON if any(lit) else LampsWere.OFF


def _driven_long_ago(looks: list[Look]) -> Iterator[Look]:
    """Those at which no lamp is driven, nor was shortly before."""
    driven_at = -math.inf
    for look in looks:
        if look.output:
            driven_at = look.t
        elif look.t > driven_at + COUNTED_S:
            yield look


def _says_left_on(status: Status | None) -> bool:
    """Any face tells of light after its end."""
    if status is None:
        return False
    reason = status.exposure.reason if status.exposure is not None else ""
    return status.light.left_on or reason.startswith("light is still on")


def _dose(status: Status | None) -> float:
    exposure = status.exposure if status is not None else None
    return exposure.dose_mj_cm2 or 0.0 if exposure is not None else 0.0
