"""What a step of the light looks like, from how its channels changed together. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from platelink.events.unit import LampsCleaned
from platelink.finding.fade import LEAST_STEP

ALIKE = 0.25
"""Channels whose changes differ by no more of their mean change alike."""
LEAST_APART = 0.015
"""Nor by less than that: they do not repeat better."""
NEW_LAMPS = 0.12
"""A rise of all by more is of other lamps rather than of a clean glass. Common practice, no
source."""


def text_of(  # noqa: PLR0911 -- one for each look
    change: Sequence[float], names: Sequence[str], cleaned: LampsCleaned | None,
    calibration: str = "",
) -> str:  # fmt: skip
    """In words; ``change`` of the logarithm of each channel, ``cleaned`` what a person entered,
    ``calibration`` what was used first that day: its own change is none of these."""
    by = f"{100.0 * float(np.mean(np.expm1(change))):+.1f} %"
    if cleaned is not None:
        what = {"lamps": "lamps", "sensor": "light sensor"}.get(cleaned.part, "lamps and sensor")
        if calibration:
            return f"{what} cleaned, as recorded, and calibrated ({calibration}): {by} is of both"
        return f"{what} cleaned, as recorded ({by})"
    if calibration:
        return (
            f"the light changed ({by}) with the calibration {calibration}, by more than the "
            "calibration explains: the lamps, or a sensor moved or cleaned for it; which of "
            "these is not known, so look at the lamps"
        )
    if len(change) == 1:
        what = "fell" if change[0] < 0.0 else "rose"
        return (
            f"the light {what} ({by}): lamps or sensor, one channel cannot show which; "
            "measure with a hand meter (platelink lamps measured)"
        )
    moved = [i for i, one in enumerate(change) if abs(one) >= LEAST_STEP]
    apart = max(change) - min(change)
    mean = float(np.mean(change))
    alike = apart <= max(LEAST_APART, ALIKE * abs(mean))
    if len(moved) == 1 and not alike:
        i = moved[0]
        how = "is dirty or has shifted" if change[i] < 0.0 else "was cleaned or has shifted"
        only = f"{100.0 * float(np.expm1(change[i])):+.1f} %"
        return f"{names[i]} alone changed ({only}): its sensor {how}; the lamps did not"
    if alike and mean >= NEW_LAMPS:
        return f"all channels rose alike ({by}): new lamps? Record them (platelink lamps changed)"
    if alike and mean > 0.0:
        return f"all channels rose alike ({by}): lamps or glass cleaned, or more supply voltage"
    if alike:
        return f"all channels fell alike ({by}): dirt on the glass, or less supply voltage"
    if mean < 0.0:
        most = names[int(np.argmin(change))]
        return f"channels fell unequally ({by}), {most} most: a tube near it is out or failing"
    most = names[int(np.argmax(change))]
    return f"channels rose unequally ({by}), {most} most: a tube near it was replaced"
