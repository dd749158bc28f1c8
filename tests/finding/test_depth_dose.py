"""Depth against dose from plates whose doses follow depths, and the dose that is proposed.

A simulated shop corrects each plate's dose by the depths before it, while the bath ages and lots
change. What dose truly does is known. Least squares of depth on dose are biased there, and the
estimate by the dither is not.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from platelink.contract.depths import DepthMade
from platelink.finding.depth_dose import LEAST, CannotTellError, Slope, proposed, slope_of
from platelink.recipe.dither import dither_pct
from platelink.recipe.steps import ExposeStep
from platelink.simulated.plates import example

TRUE_UM, TARGET_UM, DOSE = -24.0, 30.0, 260.0
"""Depth for a factor e of dose: more dose, less depth."""
BEGIN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
STEP = next(s for s in example().step if isinstance(s, ExposeStep) and s.name == "screen")


def made(number: int, um: float, dose: float, dither: float, lot: str = "lot-0") -> DepthMade:
    return DepthMade(
        plate=f"P-{number}", at_utc=(BEGIN + timedelta(hours=number)).isoformat(), um=um, lot=lot,
        revision="fine@1", screens=[], lamp_set="1", calibrations=[], operator=None,
        doses_mj_cm2={"screen": dose}, dithers_pct={"screen": dither} if dither else {},
        targets_mj_cm2={"screen": dose},
    )  # fmt: skip


def shop(
    seed: int, plates: int, *, dither: float | None = 3.0, gain: float = 0.5, rest_um: float = 0.4
) -> list[DepthMade]:
    """Doses follow the depths: after each plate the recipe's dose makes up for a share of what it
    was off. Drift is that of a bath which is renewed, and of lots; neither is on record as such."""
    rng = np.random.default_rng(seed)
    step = STEP.model_copy(update={"tolerance_pct": 4.0, "dither_pct": dither})
    log_dose, bath, found = 0.0, 0.0, []
    lots = rng.normal(0.0, 1.0, plates // 40 + 1)
    for number in range(plates):
        bath = 0.93 * bath + rng.normal(0.0, 0.5)
        off = dither_pct(step, f"{seed}-{number}")
        given = DOSE * math.exp(log_dose) * (1.0 + off / 100.0) * (1.0 + rng.normal(0.0, 0.002))
        um = TARGET_UM + TRUE_UM * math.log(given / DOSE) + bath + lots[number // 40]
        um += rng.normal(0.0, rest_um)
        found.append(made(number, um, given, off, f"lot-{number // 40}"))
        log_dose -= gain * (um - TARGET_UM) / TRUE_UM
    return found


def by_least_squares(plates: list[DepthMade]) -> float:
    x = [math.log(one.doses_mj_cm2["screen"]) for one in plates]
    return float(np.polyfit(x, [one.um for one in plates], 1)[0])


def test_where_doses_follow_depths_least_squares_are_biased_and_the_dither_is_not() -> None:
    plain = [by_least_squares(shop(seed, 200, dither=None)) for seed in range(60)]
    slopes = [slope_of(shop(seed, 200), "screen") for seed in range(60)]
    found = np.array([one.um for one in slopes])
    error = float(found.std(ddof=1)) / math.sqrt(len(found))
    # without a dither it is wrong by far more than chance, and more plates do not mend it
    off = float(np.mean(plain)) - TRUE_UM
    assert abs(off) > 0.2 * abs(TRUE_UM)
    assert abs(off) > 10.0 * float(np.std(plain, ddof=1)) / math.sqrt(len(plain))
    more = [by_least_squares(shop(seed, 1000, dither=None)) for seed in range(10)]
    assert float(np.mean(more)) - TRUE_UM == pytest.approx(off, rel=0.3)
    # with a dither it is right, within chance
    assert float(found.mean()) == pytest.approx(TRUE_UM, abs=3.0 * error)
    assert abs(float(found.mean()) - TRUE_UM) < 0.05 * abs(TRUE_UM)
    # least squares stay biased although there is a dither
    with_dither = [by_least_squares(shop(seed, 200)) for seed in range(60)]
    spread = float(np.std(with_dither, ddof=1)) / math.sqrt(60)
    assert abs(float(np.mean(with_dither)) - TRUE_UM) > 5.0 * spread
    # and the interval holds as often as it says
    held = sum(one.interval[0] <= TRUE_UM <= one.interval[1] for one in slopes)
    assert held >= 52


def test_without_a_dither_no_slope_is_told() -> None:
    with pytest.raises(CannotTellError, match="0 plates whose screen dose was set off on purpose"):
        slope_of(shop(1, 200, dither=None), "screen")
    with pytest.raises(CannotTellError, match=f"{LEAST - 1} plates"):
        slope_of(shop(1, LEAST - 1), "screen")


def test_one_side_or_a_plate_a_lot_tells_none() -> None:
    one_side = [made(n, 30.0 + 0.1 * (n % 3), DOSE * 1.03, 3.0) for n in range(40)]
    with pytest.raises(CannotTellError, match="both sides"):
        slope_of(one_side, "screen")
    each = [made(n, 30.0, DOSE * (1.03 if n % 2 else 0.97), 3.0 if n % 2 else -3.0, f"lot-{n}")
            for n in range(40)]  # fmt: skip
    with pytest.raises(CannotTellError, match="40 lots"):
        slope_of(each, "screen")


SURE = Slope(TRUE_UM, 1.5, 100, 102, 1)


def newest(um: float, n: int = 8) -> list[DepthMade]:
    return [made(i, um + (0.2 if i % 2 else -0.2), DOSE, 0.0) for i in range(n)]


def test_the_dose_for_the_middle_of_the_limits_with_its_interval() -> None:
    found = proposed(newest(31.2), "screen", dose_mj_cm2=DOSE, target_um=30.0, slope=SURE)
    right = DOSE * math.exp(-1.2 / TRUE_UM)
    assert found.proposed_mj_cm2 == pytest.approx(right, rel=1e-3)
    assert found.low_mj_cm2 < right < found.high_mj_cm2 and not found.cut
    assert found.um_per_pct == pytest.approx(-0.24)
    # Fieller's ends solve (off - r·b)² = t²·(u² + r²·u_b²)
    for end in (found.low_mj_cm2, found.high_mj_cm2):
        r, u = math.log(end / DOSE), float(np.std([0.2, -0.2] * 4, ddof=1)) / math.sqrt(8)
        t = 1.98397  # of 100 degrees of freedom, any table
        assert (-1.2 - r * TRUE_UM) ** 2 == pytest.approx(
            t * t * (u * u + r * r * 1.5**2), rel=1e-3
        )


def test_plates_made_at_other_doses_are_put_to_the_recipes_of_now() -> None:
    plates = [made(i, 30.0 + TRUE_UM * math.log(0.95) + (0.2 if i % 2 else -0.2), DOSE * 0.95, 0.0)
              for i in range(8)]  # fmt: skip
    with pytest.raises(CannotTellError, match="follow chance"):
        proposed(plates, "screen", dose_mj_cm2=DOSE, target_um=30.0, slope=SURE)


@pytest.mark.parametrize(
    ("given", "words"),
    [({"slope": Slope(-4.0, 2.5, 100, 102, 1)}, "depth belongs to the screen"),
     ({"made": newest(30.05)}, "follow chance"), ({"made": newest(32.0, 7)}, "7 plates")],
)  # fmt: skip
def test_what_is_not_sure_is_not_proposed(given: dict[str, Any], words: str) -> None:
    plates = given.get("made", newest(32.0))
    with pytest.raises(CannotTellError, match=words):
        proposed(plates, "screen", dose_mj_cm2=DOSE, target_um=30.0,
                 slope=given.get("slope", SURE))  # fmt: skip


def test_a_large_change_is_proposed_in_steps() -> None:
    found = proposed(newest(36.0), "screen", dose_mj_cm2=DOSE, target_um=30.0, slope=SURE)
    assert found.cut and found.proposed_mj_cm2 == pytest.approx(286.0)
    assert found.high_mj_cm2 > found.proposed_mj_cm2
