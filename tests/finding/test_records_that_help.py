"""Records that are of other plates foretell no better than none: no plate goes on unmeasured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.finding.foretell import AT_MOST, LEARNING, Exposed, Foreteller, Verdict


def verdicts(*, own: bool, seed: int) -> list[Verdict]:
    """Of 300 plates whose doses and lots differ; each with its own record, or another's."""
    rng, n = np.random.default_rng(seed), 300
    x, lot = rng.normal(0.0, 0.04, n), np.arange(n) // 30
    depth = 33.0 - 14.0 * x + rng.normal(0.0, 1.0, 10)[lot] + rng.normal(0.0, 0.5, n)
    order = np.arange(n) if own else rng.permutation(n)
    teller, found = Foreteller(33.0, 28.0, 38.0, 200.0), []
    for i, k in enumerate(order):
        plate = Exposed(dose_mj_cm2=200.0 * math.exp(float(x[k])), lot=str(lot[k]))
        found.append(teller.foretold(plate).verdict)
        teller = teller.seen(plate, float(depth[i]))
    return found[LEARNING:]


@pytest.mark.parametrize("seed", range(4))
def test_only_records_that_help_spare_a_measurement(seed: int) -> None:
    """With limits that bear all the scatter there is, and more."""
    assert verdicts(own=True, seed=seed).count(Verdict.GO_ON) > 220
    assert verdicts(own=False, seed=seed).count(Verdict.GO_ON) < 30


def test_it_is_said_why() -> None:
    teller = Foreteller(33.0, 20.0, 46.0, 200.0)
    for i in range(2 * LEARNING):
        wrong = Exposed(dose_mj_cm2=200.0 * (1.2 if i % 2 else 0.8), lot="a")
        teller = teller.seen(wrong, 33.0)
    told = teller.foretold(Exposed(dose_mj_cm2=200.0, lot="a"))
    assert told.verdict is Verdict.MEASURE and "no better than none" in told.text
    assert "whether plates and records belong together" in told.text


def test_by_hand() -> None:
    """The first plate is foretold alike with and without but for its dose: 14 µm for each e-fold.
    What is far off counts as AT_MOST spreads for both."""
    plate = Exposed(dose_mj_cm2=200.0 * math.exp(0.05), lot="a")
    teller = Foreteller(33.0, 20.0, 46.0, 200.0, read_var=1.0)
    first = teller.seen(plate, 32.5)
    assert first.better == pytest.approx(0.5**2 - (0.7 - 0.5) ** 2)
    assert first.blind is not None and first.blind.measured == 1
    assert teller.seen(plate, 90.0).better == 0.0
    assert teller.seen(plate, 33.0 + AT_MOST - 0.7).better == pytest.approx(2.3**2 - AT_MOST**2)
    assert first.seen(plate, None).better == first.better
