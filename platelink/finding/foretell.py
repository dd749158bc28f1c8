"""The depth of a plate before it is washed, with its interval, and what that means. Pure.

One recipe of one shop. Expected depth is linear in what the record holds when the last exposure
ends: logarithm of dose at the plate's place, days open, bath, contact, light against the lamps'
forecast, and an effect of the lot; a level that walks slowly carries what nobody records. All of it
is followed plate by plate (a Kalman filter; recursive least squares with a prior) from the plates
that were measured. How far the interval reaches is the conformal part's, which does not believe the
model. A plate far off moves the level less and makes it uncertain: then plates are measured until
it is known what happened.

Beside it runs the same without records. An interval that holds its share would not notice records
of other plates, or ones that show nothing; that they foretell no better than none does, and then
no plate goes on unmeasured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from platelink.finding.conformal import Conformal
from platelink.finding.curve import F64

SLOPE_UM, SLOPE_SD = -14.0, 4.0
"""µm for each e-fold of dose, where no working curve tells it; invented."""
LOT_SD_UM, LOTS_KNOWN = 1.1, 4.0
"""Between lots, and as how many lots that counts."""
WALK_SD_UM = 0.06
"""Of the level, from plate to plate."""
READ_SD_UM, READS_KNOWN = 0.9, 15.0
"""Of a plate beside all that is recorded, and as how many plates that counts."""
ODD = 2.5
"""Spreads beyond which a plate is not taken at its word."""
FORGET = 120.0
"""Plates from which the spread is estimated."""
LEARNING = 20
"""Plates that are all measured at first."""
ONE_IN = 8
AT_MOST = 3.0
"""Spreads off that a plate counts for at most where records are judged."""
WORTH = 0.2
"""Squared spreads a plate by which records must foretell better than none."""
CALM_PCT = 3.0
"""Of light against the forecast: within it the light is as usual, and what an oddity before it did
to the depth is no lesson for the next."""
_LEVEL, _SLOPE, _DAYS, _AREA, _BATH, _CONTACT, _LIGHT, _LOT = range(8)
# Priors of the coefficients (mean, sd), in µm for each unit; invented, on the wide side.
_PRIOR = {
    _LEVEL: (0.0, 2.0), _DAYS: (0.0, 0.06), _AREA: (0.0, 1.0), _BATH: (0.0, 0.15),
    _CONTACT: (0.0, 0.6),
}  # fmt: skip
LIGHT_SD = 0.7
"""Of the share of an odd light that is the dose's and not the sensor's, about a half."""


class Verdict(StrEnum):
    """What the interval means for this plate."""

    GO_ON = "go on, and measure one in n"
    MEASURE = "measure"
    STOP = "stop before wash"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposed:
    """What the record holds when the last contact exposure ends."""

    dose_mj_cm2: float
    lot: str
    place_pct: float = 0.0
    """Light at the plate's place against the sensor's (evenness)."""
    days_open: float = 0.0
    bath_m2: float = 0.0
    bath_days: float = 0.0
    contact_kpa: float = 0.0
    """Vacuum lost in light at worst."""
    light_off_pct: float = 0.0
    """Irradiance against that foretold of the lamps."""
    run: str = ""


@dataclass(frozen=True, slots=True)
class Foretold:
    """The depth expected, between what, and what it means."""

    depth_um: float
    low_um: float
    high_um: float
    sd_um: float
    verdict: Verdict
    text: str


@dataclass(frozen=True, slots=True)
class _Known:
    """Mean and covariance of the coefficients."""

    mean: F64
    cov: F64


@dataclass(frozen=True, slots=True)
class Foreteller:
    """What a shop's measured plates taught of one recipe. ``seen`` each plate in order; a plate
    that was measured comes with its depth."""

    target_um: float
    low_um: float
    high_um: float
    dose_mj_cm2: float
    """About which the curve is a line."""
    slope_um: float = SLOPE_UM
    slope_sd_um: float = SLOPE_SD
    one_in: int = ONE_IN
    lot: str = ""
    measured: int = 0
    conformal: Conformal = field(default_factory=Conformal)
    read_var: float = READ_SD_UM**2
    lot_var: float = LOT_SD_UM**2
    lots: float = 0.0
    known: _Known | None = None
    records: bool = True
    """False: foretells without them, beside the one that does."""
    blind: Foreteller | None = None
    better: float = 0.0
    """How much less is off with records than without, in squared spreads a plate."""

    def __post_init__(self) -> None:
        if not self.low_um < self.target_um < self.high_um:
            raise ValueError("give limits below and above the depth that is wanted")
        if not (self.dose_mj_cm2 > 0.0 and self.one_in >= 1):
            raise ValueError("the recipe's dose must be above 0; measure one in 1 or more")

    def foretold(self, plate: Exposed) -> Foretold:
        """Of a plate that is exposed and not washed."""
        plate = self._seen_of(plate)
        known, row = self._ready(plate), self._row(plate)
        depth = self.target_um + float(row @ known.mean)
        sd = math.sqrt(float(row @ known.cov @ row) + self.read_var)
        half = self.conformal.quantile * sd
        low, high = depth - half, depth + half
        between = f"{depth:.1f} µm expected, {low:.1f} to {high:.1f} µm (95 %)"
        if low > self.high_um or high < self.low_um:
            verdict, means = Verdict.STOP, "outside the limits: do not wash, find the cause"
        elif self.measured < LEARNING:
            verdict = Verdict.MEASURE
            means = f"measure: {LEARNING - self.measured} more plates until one in n is enough"
        elif self.records and self.better <= WORTH:
            verdict = Verdict.MEASURE
            means = (
                "measure: records predict no better than none; look whether plates and records "
                "belong together"
            )
        elif self.low_um <= low and high <= self.high_um:
            verdict, means = Verdict.GO_ON, f"inside the limits: measure one in {self.one_in}"
        else:
            verdict, means = Verdict.MEASURE, "may be outside the limits: measure"
        return Foretold(depth, low, high, sd, verdict, f"{between}; {means}")

    def stands_for(self, verdict: Verdict) -> float:
        """Plates that a measured one with this verdict stands for."""
        return float(self.one_in) if verdict is Verdict.GO_ON else 1.0

    def seen(self, plate: Exposed, depth_um: float | None) -> Foreteller:
        """After this plate; None: it was not measured."""
        plate = self._seen_of(plate)
        known = self._ready(plate)
        lot_var, lots = self.lot_var, self.lots
        if plate.lot != self.lot and self.lot and self.known is not None:
            # What the lot before was told to be is one draw of how lots differ.
            lots += 1.0
            was = self.known.mean[_LOT] ** 2 + self.known.cov[_LOT, _LOT]
            lot_var += (was - lot_var) / (lots + LOTS_KNOWN)
        cov = known.cov.copy()
        cov[_LEVEL, _LEVEL] += WALK_SD_UM**2
        known = replace(known, cov=cov)
        blind = (self.blind or replace(self, records=False)) if self.records else None
        after = blind.seen(plate, depth_um) if blind else None
        if depth_um is None:
            return replace(
                self, lot=plate.lot, lot_var=lot_var, lots=lots, known=known, blind=after
            )
        if not math.isfinite(depth_um):
            raise ValueError("a depth that is no number was measured; read it again")
        told = self.foretold(plate)
        off = depth_um - told.depth_um
        odd = abs(off) / told.sd_um
        conformal = self.conformal.updated(odd, self.stands_for(told.verdict))
        learned, left = self._learned(known, self._row(plate), off, odd)
        better = self.better
        if blind:
            without = abs(depth_um - blind.foretold(plate).depth_um)
            less = self._counted(without) - self._counted(abs(off))
            better += (less - better) / min(self.measured + 1.0, FORGET)
        n = min(self.measured + 1.0, FORGET) + READS_KNOWN
        calm = min(off * left, (ODD**2) * self.read_var)
        read_var = self.read_var + (calm - self.read_var) / n
        return replace(
            self, lot=plate.lot, measured=self.measured + 1, conformal=conformal,
            read_var=max(read_var, 0.05), lot_var=lot_var, lots=lots, known=learned,
            blind=after, better=better,
        )  # fmt: skip

    def dose_for_target(self, plate: Exposed) -> float:
        """The dose at which a plate like this one is expected at the target: a proposal."""
        known = self._ready(plate)
        off = float(self._row(plate) @ known.mean)
        slope = float(known.mean[_SLOPE])
        if slope > -1.0:
            raise ValueError("the depth does not follow the dose here; expose a strip")
        return plate.dose_mj_cm2 * math.exp(-off / slope)

    def _seen_of(self, plate: Exposed) -> Exposed:
        return plate if self.records else Exposed(dose_mj_cm2=self.dose_mj_cm2, lot="")

    def _counted(self, off_um: float) -> float:
        return min(off_um**2 / self.read_var, AT_MOST**2)

    def _learned(self, known: _Known, row: F64, off: float, odd: float) -> tuple[_Known, float]:
        """By a plate so far off; and how far off it is afterwards."""
        noise, cov = self.read_var, known.cov
        if odd > ODD:
            # Either this plate alone is odd, or from now on all are: the next ones tell.
            noise *= (odd / ODD) ** 2
            cov = cov.copy()
            cov[_LEVEL, _LEVEL] += 0.5 * off * off
        gain = cov @ row / (float(row @ cov @ row) + noise)
        mean = known.mean + gain * off
        cov = cov - np.outer(gain, row @ cov)
        return _Known(mean, (cov + cov.T) / 2.0), off - float(row @ (gain * off))

    def _row(self, plate: Exposed) -> F64:
        x = math.log(plate.dose_mj_cm2 / self.dose_mj_cm2) + math.log1p(plate.place_pct / 100.0)
        light = self.slope_um * math.log1p(-max(min(plate.light_off_pct, 50.0), -50.0) / 100.0)
        if abs(plate.light_off_pct) < CALM_PCT:
            light = 0.0
        return np.array([1.0, x, plate.days_open, plate.bath_m2, plate.bath_days,
                         plate.contact_kpa, light, 1.0])  # fmt: skip

    def _ready(self, plate: Exposed) -> _Known:
        """What is known, with a new lot's effect open, and an odd light's where it is calm."""
        if not (math.isfinite(plate.dose_mj_cm2) and plate.dose_mj_cm2 > 0.0):
            raise ValueError("a plate needs the dose of its record, above 0")
        known = self.known
        if known is None:
            mean, sds = np.zeros(8), np.zeros(8)
            for i, (value, sd) in _PRIOR.items():
                mean[i], sds[i] = value, sd
            mean[_SLOPE], sds[_SLOPE] = self.slope_um, self.slope_sd_um
            mean[_LIGHT], sds[_LIGHT] = 0.5, LIGHT_SD
            sds[_LOT] = math.sqrt(self.lot_var)
            return _Known(mean, np.diag(sds**2))
        if plate.lot != self.lot:
            known = _open(known, _LOT, 0.0, self.lot_var)
        if abs(plate.light_off_pct) < CALM_PCT:
            known = _open(known, _LIGHT, 0.5, LIGHT_SD**2)
        return known


def _open(known: _Known, which: int, mean: float, var: float) -> _Known:
    """A coefficient set back to what is known of it beforehand."""
    means, cov = known.mean.copy(), known.cov.copy()
    if which == _LOT:
        # Level and lot are only told apart by many lots: the level is that of all lots.
        cov[which, :] = cov[:, which] = 0.0
    cov[which, :] = cov[:, which] = 0.0
    means[which], cov[which, which] = mean, var
    return _Known(means, cov)
