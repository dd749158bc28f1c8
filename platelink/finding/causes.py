"""Why a plate was not as deep as predicted: causes with probabilities, from its record. Pure.

What the record shows of the plate, and of those before it, is put in words ("light below the
forecast", "first plates of a lot"); how often each comes with each cause is a table (invented, on
the careful side), to which the shop's own confirmed causes are added (Bayes with Dirichlet priors;
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
TRUST = 0.8
"""Power of the words together."""
TABLE_COUNTS, RATE_COUNTS = 12.0, 20.0
"""Confirmed causes that the table, and the rates, are worth."""
_RATES = {
    Cause.NOTHING: 0.6, Cause.LIGHT: 0.1, Cause.CONTACT: 0.09, Cause.WASHOUT: 0.08,
    Cause.STOCK: 0.08, Cause.BAKE: 0.05,
}  # fmt: skip
_USUAL: dict[str, dict[str, float]] = {
    "side": {"too deep": 0.5, "too shallow": 0.5},
    "light": {"below the forecast": 0.02, "above the forecast": 0.03, "as predicted": 0.95},
    "contact": {"vacuum lost": 0.03, "held": 0.97},
    "lot": {"first plates of a lot": 0.07, "the lot's others too": 0.08, "": 0.85},
    "before": {"the plates before too": 0.1, "one before too": 0.2, "": 0.7},
    "bath": {"old bath": 0.35, "": 0.65},
    "water": {"cold": 0.02, "warm": 0.98},
    "bake": {"short": 0.03, "whole": 0.97},
}
_WITH: dict[Cause, dict[str, dict[str, float]]] = {
    Cause.NOTHING: {},
    Cause.LIGHT: {
        "side": {"too deep": 0.55, "too shallow": 0.45},
        "light": {"below the forecast": 0.4, "above the forecast": 0.25, "as predicted": 0.35},
        "lot": {"first plates of a lot": 0.07, "the lot's others too": 0.28, "": 0.65},
        "before": {"the plates before too": 0.3, "one before too": 0.3, "": 0.4},
    },
    Cause.CONTACT: {
        "side": {"too deep": 0.1, "too shallow": 0.9},
        "contact": {"vacuum lost": 0.65, "held": 0.35},
        "before": {"the plates before too": 0.15, "one before too": 0.35, "": 0.5},
    },
    Cause.WASHOUT: {
        "side": {"too deep": 0.1, "too shallow": 0.9},
        "water": {"cold": 0.9, "warm": 0.1},
        "bath": {"old bath": 0.5, "": 0.5},
        "before": {"the plates before too": 0.2, "one before too": 0.3, "": 0.5},
    },
    Cause.STOCK: {
        "side": {"too deep": 0.2, "too shallow": 0.8},
        "lot": {"first plates of a lot": 0.3, "the lot's others too": 0.3, "": 0.4},
        "before": {"the plates before too": 0.2, "one before too": 0.3, "": 0.5},
    },
    Cause.BAKE: {
        "side": {"too deep": 0.1, "too shallow": 0.9},
        "bake": {"short": 0.85, "whole": 0.15},
        "before": {"the plates before too": 0.15, "one before too": 0.35, "": 0.5},
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
    """A plate that was washed, baked and measured. ``off``: depth less what was predicted, in
    spreads of the foretelling. What was not recorded is None."""

    record: Exposed
    off: float
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
    side = 1.0 if plate.off > 0.0 else -1.0
    record, newest = plate.record, before[-100:]
    alike = [one.off * side > ODD * 0.6 for one in newest]
    lot = [a for a, one in zip(alike, newest, strict=True) if one.record.lot == record.lot]
    found = {
        "side": "too deep" if side > 0.0 else "too shallow",
        "contact": "vacuum lost" if _far([o.record.contact_kpa for o in newest],
                                         record.contact_kpa, 0.3) > FAR else "held",
        "lot": "first plates of a lot" if len(lot) < 2
        else "the lot's others too" if sum(lot[-3:]) >= 2 else "",
        "before": ("", "one before too", "the plates before too")[min(sum(alike[-3:]), 2)],
        "bath": "old bath" if record.bath_days >= 8.0 else "",
    }  # fmt: skip
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
