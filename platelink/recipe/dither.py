"""A dose set off on purpose, by a little, so that plates go on telling what dose does. Pure.

Where doses follow depths, whoever compares the two sees the hand that set the doses as well as the
plates. A share of the dose that nothing follows can be told apart. It follows from the names of
plate and step alone, so that anybody can find it again: its sign is a bit of their SHA-256.
"""

from __future__ import annotations

import hashlib

from platelink.recipe.steps import ExposeStep, Step


def dither_pct(step: Step, plate: str) -> float:
    """How far this plate's dose is set off the recipe's, percent; 0 where the recipe asks for
    none."""
    if not isinstance(step, ExposeStep) or step.dither_pct is None:
        return 0.0
    digest = hashlib.sha256(f"{plate}\n{step.name}".encode()).digest()
    return step.dither_pct if digest[0] & 1 else -step.dither_pct


def for_plate(step: Step, plate: str) -> Step:
    """The step as this plate gets it. What its dose is set off by is taken from its tolerance, so
    that a dose in order is within the recipe's tolerance of the recipe's dose."""
    off_pct = dither_pct(step, plate)
    if not isinstance(step, ExposeStep) or not off_pct:
        return step
    return step.model_copy(update={
        "dose_mj_cm2": step.dose_mj_cm2 * (1.0 + off_pct / 100.0),
        "tolerance_pct": step.tolerance_pct - abs(off_pct),
    })  # fmt: skip
