"""How much stronger lamps may become after they were last seen. Pure.

Lamps of a cold bank give a part of their output when they strike, and the rest within minutes.
"""

from __future__ import annotations

import math

STRIKE_S = 5.0
"""Lamps strike at the latest so long after they are switched on. Common practice, no source."""
MAY_RISE = 4.0 / 3.0
"""Lamps may become so much stronger while nobody sees them. Common practice, no source."""
SLOWEST = ((0.40, 8.5), (0.26, 64.0))
"""What the slowest and coldest lamps lack when they strike, and the time constants, in s, with
which they make it up. Common practice, no source."""


def warmed(struck_s: float) -> float:
    """Share of their full output that such lamps give so long after they struck."""
    since_s = max(0.0, struck_s)
    return 1.0 - sum(share * math.exp(-since_s / tau_s) for share, tau_s in SLOWEST)


def may_rise(lit_s: float, later_s: float) -> float:
    """How many times stronger lamps may be ``later_s`` after they were seen, when they had been
    switched on for ``lit_s`` by then and had struck. At least 1."""
    struck_s = lit_s - STRIKE_S
    return warmed(max(0.0, struck_s) + max(0.0, later_s)) / warmed(struck_s)
