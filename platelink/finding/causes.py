"""Why a plate was not as deep as predicted: causes with probabilities, from its record. Pure.

What the record shows of the plate, and of those before it, is put in words ("light below the
forecast", "first plates of a lot"); how often each comes with each cause is a table, counted in
simulated shops, to which the shop's own confirmed causes are added (Bayes with Dirichlet priors;
words are taken as independent, which they are not: their weight is lessened by ``TRUST``).
Probabilities are of where to look first; "nothing" means that chance alone is most likely.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from platelink.finding.foretell import CALM_PCT, Exposed


class Cause(StrEnum):
    """Where to look."""

    NOTHING = "nothing"
    LIGHT = "light"
    CONTACT = "contact"
    WASHOUT = "washout"
    STOCK = "stock"
    BAKE = "bake"


LOOK = {
    Cause.NOTHING: "nothing odd: chance alone is most likely",
    Cause.LIGHT: "lamps, and the sensor's window: clean it, read the meter",
    Cause.CONTACT: "seal, sheet and pump",
    Cause.WASHOUT: "bath: warmth, age, brush",
    Cause.STOCK: "lot: its age, how it was kept; make a wedge",
    Cause.BAKE: "drying: minutes, air",
}
ODD = 2.0
"""Spreads beyond which a plate is asked about, and one before counts as odd."""
FAR = 3.0
"""Usual spreads beyond which a value of the record is odd."""
TRUST = 0.85
"""Power of the words together."""
TABLE_COUNTS, RATE_COUNTS = 12.0, 20.0
"""Confirmed causes that the table, and the rates, are worth."""
# Counted in the 21,766 plates asked about of 1,000 simulated shops (platesim.year, seeds 5000 to
# 5999, of which the bench judges none), rounded; nothing was let be rarer than 0.005, and water and
# bake were made less sure than they are there.
_RATES = {
    Cause.NOTHING: 0.67, Cause.LIGHT: 0.13, Cause.CONTACT: 0.09, Cause.WASHOUT: 0.04,
    Cause.STOCK: 0.05, Cause.BAKE: 0.02,
}  # fmt: skip
_USUAL: dict[str, dict[str, float]] = {
    "side": {"too deep": 0.57, "too shallow": 0.43},
    "light": {"below the forecast": 0.005, "above the forecast": 0.005, "as predicted": 0.99},
    "contact": {"vacuum lost": 0.005, "held": 0.995},
    "lot": {"first plates of a lot": 0.38, "the lot's others too": 0.04, "": 0.58},
    "before": {"the plates before too": 0.06, "one before too": 0.29, "": 0.65},
    "bath": {"old bath": 0.18, "": 0.82},
    "water": {"cold": 0.005, "warm": 0.995},
    "bake": {"short": 0.01, "whole": 0.99},
}
_WITH: dict[Cause, dict[str, dict[str, float]]] = {
    Cause.NOTHING: {},
    Cause.LIGHT: {
        "light": {"below the forecast": 0.25, "above the forecast": 0.32, "as predicted": 0.43},
        "lot": {"first plates of a lot": 0.26, "the lot's others too": 0.06, "": 0.68},
    },
    Cause.CONTACT: {
        "side": {"too deep": 0.23, "too shallow": 0.77},
        "contact": {"vacuum lost": 0.61, "held": 0.39},
        "lot": {"first plates of a lot": 0.08, "the lot's others too": 0.09, "": 0.83},
        "before": {"the plates before too": 0.1, "one before too": 0.41, "": 0.49},
    },
    Cause.WASHOUT: {
        "side": {"too deep": 0.18, "too shallow": 0.82},
        "lot": {"first plates of a lot": 0.09, "the lot's others too": 0.18, "": 0.73},
        "before": {"the plates before too": 0.2, "one before too": 0.36, "": 0.44},
        "bath": {"old bath": 0.39, "": 0.61},
        "water": {"cold": 0.95, "warm": 0.05},
    },
    Cause.STOCK: {
        "side": {"too deep": 0.26, "too shallow": 0.74},
        "lot": {"first plates of a lot": 0.34, "the lot's others too": 0.12, "": 0.54},
        "before": {"the plates before too": 0.14, "one before too": 0.29, "": 0.57},
    },
    Cause.BAKE: {
        "side": {"too deep": 0.27, "too shallow": 0.73},
        "lot": {"first plates of a lot": 0.13, "the lot's others too": 0.08, "": 0.79},
        "before": {"the plates before too": 0.09, "one before too": 0.41, "": 0.5},
        "bake": {"short": 0.95, "whole": 0.05},
    },
}
SYMPTOMS: dict[str, dict[Cause, float]] = {
    "prints too strong": {Cause.LIGHT: 1.5, Cause.STOCK: 1.5},
    "prints too weak": {Cause.WASHOUT: 2.0, Cause.CONTACT: 1.5, Cause.LIGHT: 1.5, Cause.STOCK: 1.5},
    "soft edges": {Cause.CONTACT: 5.0},
    "uneven over the plate": {Cause.CONTACT: 3.0, Cause.WASHOUT: 2.0, Cause.LIGHT: 1.5},
    "tacky surface": {Cause.BAKE: 4.0, Cause.WASHOUT: 1.5},
}
"""How much more often the press sees this with each cause than with chance alone; invented."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """A plate that was washed and baked. ``off``: depth less what was predicted, in spreads of the
    foretelling; None: not measured, or not predicted. What was not recorded is None."""

    record: Exposed
    off: float | None
    bake_min: float | None = None
    water_c: float | None = None


@dataclass(frozen=True, slots=True)
class Likely:
    """A cause, how probable it is, and what of the record speaks for it."""

    cause: Cause
    probability: float
    speaks: tuple[str, ...]

    @property
    def text(self) -> str:
        """As a person reads it."""
        why = f" ({', '.join(self.speaks)})" if self.speaks else ""
        return f"{self.cause} {self.probability:.2f}: {LOOK[self.cause]}{why}"


def words(before: Sequence[Inspected], plate: Inspected) -> dict[str, str]:
    """What the record shows of this plate, given those measured before it, oldest first. What was
    not recorded is left out."""
    record, newest = plate.record, before[-100:]
    found = {
        "contact": "vacuum lost" if _far([o.record.contact_kpa for o in newest],
                                         record.contact_kpa, 0.3) > FAR else "held",
        "bath": "old bath" if record.bath_days >= 8.0 else "",
    }  # fmt: skip
    of_lot = [one for one in newest if one.record.lot == record.lot]
    if len(of_lot) < 2:
        found["lot"] = "first plates of a lot"
    if plate.off is not None:
        side = 1.0 if plate.off > 0.0 else -1.0
        found["side"] = "too deep" if side > 0.0 else "too shallow"
        too = sum(_alike(one, side) for one in newest[-3:])
        found["before"] = ("", "one before too", "the plates before too")[min(too, 2)]
        if len(of_lot) >= 2:
            too = sum(_alike(one, side) for one in of_lot[-3:])
            found["lot"] = "the lot's others too" if too >= 2 else ""
    light = record.light_off_pct
    far = max(CALM_PCT, FAR * _spread([o.record.light_off_pct for o in newest], 1.0))
    found["light"] = (
        "below the forecast" if light < -far else "above the forecast" if light > far
        else "as predicted"
    )  # fmt: skip
    if plate.water_c is not None:
        usual = [o.water_c for o in newest if o.water_c is not None]
        found["water"] = "cold" if -_far(usual, plate.water_c, 1.0) > FAR else "warm"
    if plate.bake_min is not None:
        usual = [o.bake_min for o in newest if o.bake_min is not None]
        found["bake"] = "short" if -_far(usual, plate.bake_min, 1.5) > FAR else "whole"
    return found


def _alike(one: Inspected, side: float) -> bool:
    """As odd, to the same side."""
    return one.off is not None and one.off * side > ODD * 0.6


def _spread(values: Sequence[float], least: float) -> float:
    if len(values) < 8:
        return least
    middle = float(np.median(values))
    return max(least, 1.4826 * float(np.median(np.abs(np.array(values) - middle))))


def _far(values: Sequence[float], value: float, least: float) -> float:
    """Usual spreads from the usual value; 0 while what is usual is not known."""
    if len(values) < 8:
        return 0.0
    return (value - float(np.median(values))) / _spread(values, least)


@dataclass(frozen=True, slots=True)
class Causes:
    """The table, and what the shop confirmed. ``confirmed`` returns the next one."""

    seen: Mapping[tuple[Cause, str, str], int] = field(default_factory=dict)
    causes: Mapping[Cause, int] = field(default_factory=dict)

    def likely(self, found: Mapping[str, str], symptom: str = "") -> list[Likely]:
        """Causes of a plate with these words, the most probable first; ``symptom`` of SYMPTOMS is
        what the press saw."""
        if symptom and symptom not in SYMPTOMS:
            raise ValueError(f"symptoms are {', '.join(SYMPTOMS)}")
        total = sum(self.causes.values()) + RATE_COUNTS
        logs = {}
        for cause in Cause:
            rate = (self.causes.get(cause, 0) + RATE_COUNTS * _RATES[cause]) / total
            told = sum(math.log(self._share(cause, key, word)) for key, word in found.items())
            press = math.log(SYMPTOMS.get(symptom, {}).get(cause, 1.0))
            logs[cause] = math.log(rate) + TRUST * told + press
        most = max(logs.values())
        whole = sum(math.exp(v - most) for v in logs.values())
        each = [
            Likely(cause, math.exp(v - most) / whole, self._speaks(cause, found))
            for cause, v in logs.items()
        ]
        return sorted(each, key=lambda one: -one.probability)

    def confirmed(self, found: Mapping[str, str], cause: Cause) -> Causes:
        """After somebody looked and found it, or found nothing."""
        seen, causes = Counter(self.seen), Counter(self.causes)
        seen.update((cause, key, word) for key, word in found.items())
        causes[cause] += 1
        return replace(self, seen=dict(seen), causes=dict(causes))

    def _share(self, cause: Cause, key: str, word: str) -> float:
        table = _WITH[cause].get(key, _USUAL[key])
        counted = {w: self.seen.get((cause, key, w), 0) for w in table}
        return (counted[word] + TABLE_COUNTS * table[word]) / (sum(counted.values()) + TABLE_COUNTS)

    def _speaks(self, cause: Cause, found: Mapping[str, str]) -> tuple[str, ...]:
        return tuple(
            word for key, word in found.items()
            if word and cause is not Cause.NOTHING
            and self._share(cause, key, word) > 1.5 * self._share(Cause.NOTHING, key, word)
        )  # fmt: skip
