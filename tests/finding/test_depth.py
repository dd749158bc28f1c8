"""Depth strips: curve, lack of fit, dose by inversion; judged on plates nobody fitted."""

from __future__ import annotations

import math

import numpy as np
import pytest

from finding.shop import SCREEN, strips
from platelink.finding.curve import NoFitError
from platelink.finding.depth import Patch, strip, working_curve
from platesim.plates import Care, Shop, dose_for


def patch(dose: float, *points: float, plate: str = "a", lot: str = "l") -> Patch:
    return Patch(dose_mj_cm2=dose, points_um=points, plate=plate, lot=lot, run=f"run-{dose:g}")


def line(doses: list[float], off: list[float], slope: float = -14.0) -> list[Patch]:
    return [
        patch(d, 30.0 + slope * math.log(d / 200.0) + o) for d, o in zip(doses, off, strict=True)
    ]


DEPTH_UM = 34.0
"""Below the window of the simulated screen, where dose still does much."""
OFF = [0.3, -0.4, 0.1, -0.2, 0.4, -0.3, 0.2, -0.1]


def test_a_strip_has_a_middle_with_replicates_and_ends() -> None:
    doses = strip(200.0, 8)
    assert len(doses) == 8 and doses.count(200.0) == 4
    assert len(set(doses)) == 5 and doses == sorted(doses)
    assert doses[0] * doses[-1] == pytest.approx(200.0**2)
    with pytest.raises(NoFitError, match="five patches"):
        strip(200.0, 4)


def test_lack_of_fit_of_one_plate_is_the_classical_test() -> None:
    """F of a one-way analysis beside the line (Draper and Smith, Applied Regression Analysis)."""
    from scipy import stats

    doses = [150.0, 150.0, 200.0, 200.0, 200.0, 260.0, 260.0, 330.0]
    points = line(doses, OFF)
    x, y = np.log(doses), np.array([p.depth_um for p in points])
    fit = np.polyval(np.polyfit(x, y, 1), x)
    pure = sum(((y[x == a] - y[x == a].mean()) ** 2).sum() for a in set(x))
    lack = ((y - fit) ** 2).sum() - pure
    expected = stats.f.sf((lack / 2) / (pure / 4), 2, 4)
    assert working_curve(points).lack_of_fit == pytest.approx(expected, rel=1e-6)


def test_a_bent_curve_is_a_parabola_and_a_jump_is_refused() -> None:
    doses = strip(200.0, 16, 0.5)
    off = [0.05 * (-1) ** i for i in range(16)]
    bent = [
        patch(p.dose_mj_cm2, p.depth_um + 12.0 * math.log(p.dose_mj_cm2 / 200.0) ** 2)
        for p in line(doses, off)
    ]
    assert working_curve(line(doses, off)).degree == 1
    assert working_curve(bent).degree == 2
    jump = [patch(p.dose_mj_cm2, p.depth_um + (6.0 if p.dose_mj_cm2 == 200.0 else 0.0))
            for p in line(doses, off)]  # fmt: skip
    jump[0] = patch(jump[0].dose_mj_cm2, jump[0].depth_um + 6.0)
    jump[1] = patch(jump[1].dose_mj_cm2, jump[1].depth_um + 6.0)
    with pytest.raises(NoFitError, match="narrower strip"):
        working_curve(jump)


def test_points_of_a_patch_are_no_replicates() -> None:
    """Fifty points in each patch make no interval narrower than their means."""
    doses = strip(200.0, 8)
    once = working_curve(line(doses, OFF)).dose_for(30.0)
    many = [patch(p.dose_mj_cm2, *[p.depth_um] * 50) for p in line(doses, OFF)]
    again = working_curve(many).dose_for(30.0)
    assert again.low_mj_cm2 == pytest.approx(once.low_mj_cm2)
    assert again.high_mj_cm2 == pytest.approx(once.high_mj_cm2)


def test_a_flat_curve_cannot_tell() -> None:
    found = working_curve(line(strip(200.0, 8), [3.0 * o for o in OFF], slope=-1.5)).dose_for(30.0)
    assert found.dose_mj_cm2 is None
    assert found.text.startswith("cannot tell: the dose is not bounded")
    assert found.next_mj_cm2


def test_a_depth_nobody_reached_is_no_dose_but_a_way_on() -> None:
    found = working_curve(line(strip(200.0, 8), OFF)).dose_for(48.0)
    assert found.dose_mj_cm2 is None and "these doses gave" in found.text
    assert found.next_mj_cm2[0] < strip(200.0, 8)[0]
    with pytest.raises(NoFitError, match="was not tried"):
        working_curve(line(strip(200.0, 8), OFF)).at(500.0)


def test_what_is_assumed_of_plates_is_said_and_gives_way() -> None:
    one = working_curve(line(strip(200.0, 8), OFF))
    assert any("assumed" in note for note in one.notes)
    rng = np.random.default_rng(3)
    points = [p for lot in range(6) for p in strips(Shop(seed=5), strip(220.0, 5), rng, lot=lot,
                                                    plates=2)]  # fmt: skip
    assert not any("assumed" in note for note in working_curve(points).notes)


@pytest.mark.parametrize(
    ("points", "why"),
    [
        (line([150.0, 250.0] * 3, OFF[:6]), "2 doses cannot show"),
        (line([150.0, 200.0, 250.0], OFF[:3]), "3 patches make no curve"),
        ([*line(strip(200.0, 5), OFF[:5]), patch(-3.0, 20.0)], "a dose must be above 0"),
        ([*line(strip(200.0, 5), OFF[:5]), patch(200.0)], "give its depths"),
    ],
)  # fmt: skip
def test_points_that_cannot_be_are_refused(points: list[Patch], why: str) -> None:
    with pytest.raises(NoFitError, match=why):
        working_curve(points)


def test_its_interval_holds_the_truth_on_plates_nobody_fitted() -> None:
    """A strip on each of two plates, begun 5 % off: the curve is none of theirs, people read
    rounded depths with a bias of their own."""
    kept = told = refused = 0
    widths = []
    for seed in range(24):
        shop, rng = Shop(seed=seed), np.random.default_rng(500 + seed)
        truth = dose_for(shop, SCREEN, DEPTH_UM - float(shop.person_um()[0]), Care())
        doses = strip(truth * rng.uniform(0.95, 1.05), 8, 0.25)
        try:
            found = working_curve(strips(shop, doses, rng, plates=2)).dose_for(DEPTH_UM)
        except NoFitError:
            refused += 1
            continue
        if found.dose_mj_cm2 is None or found.low_mj_cm2 is None or found.high_mj_cm2 is None:
            continue
        told += 1
        kept += found.low_mj_cm2 <= truth <= found.high_mj_cm2
        widths.append(found.high_mj_cm2 / found.low_mj_cm2)
        assert found.runs == ("run-0-0", "run-0-1")
    assert told >= 14 and refused <= 6
    assert kept >= told - 1
    assert float(np.median(widths)) < 1.2


def curve_of_lots(shifts: dict[str, float], rng: np.random.Generator) -> list[Patch]:
    """Strips of lots that need ``shifts`` more dose each, on a bent curve, two plates a lot."""
    points = []
    for lot, shift in shifts.items():
        for plate in "ab":
            for dose in strip(200.0, 8, 0.3):
                x = math.log(dose / 200.0) - shift
                depth = 30.0 - 14.0 * x - 9.0 * x * x + rng.normal(0.0, 0.15)
                points.append(patch(dose, depth, plate=plate, lot=lot))
    return points


def test_a_lot_shifts_the_curve_sideways() -> None:
    """A lot that needs a fifth more dose is as deep at a fifth more dose, everywhere on a curve
    that is no line; two patches of it tell so."""
    rng = np.random.default_rng(8)
    shifts = {"a": -0.1, "b": 0.06, "c": 0.02, "d": -0.05, "e": 0.07}
    new = [patch(200.0, 30.0 + 14.0 * 0.18 - 9.0 * 0.18**2, plate=p, lot="new") for p in "ab"]
    curve = working_curve([*curve_of_lots(shifts, rng), *new])
    assert curve.degree == 2
    for lot, shift in shifts.items():
        for depth in (28.0, 30.0, 32.0):
            at = math.log(curve.dose_for(depth, lot).dose_mj_cm2 / 200.0)
            on = np.roots([-9.0, -14.0, 30.0 - depth])
            assert at - shift == pytest.approx(on[np.argmin(np.abs(on))], abs=0.012)
    found = curve.dose_for(30.0, "new")
    assert found.low_mj_cm2 <= 200.0 * math.exp(0.18) <= found.high_mj_cm2
    # What other lots had at their doses is known of this one at doses of its own.
    assert curve.between_mj_cm2("new")[1] > 200.0 * math.exp(0.3) * 1.1
    assert math.log(found.high_mj_cm2 / found.low_mj_cm2) < 0.2


def test_where_no_curve_fits_all_doses_one_is_fitted_about_the_crossing() -> None:
    """A step at the upper end, which a line, a parabola and a cubic do not follow."""
    doses = strip(200.0, 24, 0.4)
    bent = [
        patch(d, p.depth_um - 6.0 * (d > 260.0) + 0.05 * (-1) ** i)
        for i, (d, p) in enumerate(zip(doses, line(doses, [0.0] * 24), strict=True))
    ]
    with pytest.raises(NoFitError, match="narrower strip"):
        working_curve(bent)
    found = working_curve(bent, about_um=31.0)
    assert any("no curve fits all doses" in note for note in found.notes)
    dose = found.dose_for(31.0).dose_mj_cm2
    assert dose == pytest.approx(200.0 * math.exp(-1.0 / 14.0), rel=0.01)
    with pytest.raises(NoFitError, match="was not tried"):
        found.at(doses[-1])
