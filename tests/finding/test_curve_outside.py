"""Fits of curves against certified ones: NIST Statistical Reference Datasets, nonlinear regression
(itl.nist.gov/div898/strd, public domain), from both of their starts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.finding.curve import Curve, NoFitError, fitted, student_t

# The data of Misra1a and Misra1b (dental research, monomolecular adsorption): pressure, volume.
MISRA = (
    (77.6, 10.07), (114.9, 14.73), (141.1, 17.94), (190.8, 23.93), (239.9, 29.61), (289.0, 35.18),
    (332.8, 40.02), (378.4, 44.82), (434.8, 50.76), (477.3, 55.05), (536.8, 61.01), (593.1, 66.40),
    (689.1, 75.47), (760.0, 81.78),
)  # fmt: skip
# DanWood: energy radiated from a carbon filament lamp against its temperature.
DANWOOD = (
    (1.309, 2.138), (1.471, 3.421), (1.490, 3.597), (1.565, 4.340), (1.611, 4.882), (1.680, 5.660),
)  # fmt: skip
# BoxBOD (Box, Hunter and Hunter): oxygen demand against days.
BOXBOD = ((1.0, 109.0), (2.0, 149.0), (3.0, 149.0), (5.0, 191.0), (7.0, 213.0), (10.0, 224.0))

RISE = lambda x, b: b[0] * (1.0 - np.exp(-b[1] * x))  # noqa: E731
MISRA1B = lambda x, b: b[0] * (1.0 - (1.0 + b[1] * x / 2.0) ** -2)  # noqa: E731
POWER = lambda x, b: b[0] * x ** b[1]  # noqa: E731


def of(points: tuple[tuple[float, float], ...], model: object, start: tuple[float, ...]) -> Curve:
    x, y = zip(*points, strict=True)
    return fitted(model, x, y, start)  # type: ignore[arg-type]


CERTIFIED = {
    "Misra1a": (MISRA, RISE, [(500.0, 1e-4), (250.0, 5e-4)],
                (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06),
                1.2455138894e-01),
    "Misra1b": (MISRA, MISRA1B, [(500.0, 1e-4), (300.0, 2e-4)],
                (3.3799746163e02, 3.9039091287e-04), (3.1643950207e00, 4.2547321834e-06),
                7.5464681533e-02),
    "DanWood": (DANWOOD, POWER, [(1.0, 5.0), (0.7, 4.0)],
                (7.6886226176e-01, 3.8604055871e00), (1.8281973860e-02, 5.1726610913e-02),
                4.3173084083e-03),
    "BoxBOD": (BOXBOD, RISE, [(100.0, 0.75)],
               (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01),
               1.1680088766e03),
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "start"), [(name, start) for name, given in CERTIFIED.items() for start in given[2]]
)
def test_certified_constants_and_their_standard_deviations(
    name: str, start: tuple[float, ...]
) -> None:
    points, model, _, constants, sds, rss = CERTIFIED[name]
    curve = of(points, model, start)
    assert curve.constants == pytest.approx(constants, rel=1e-7)
    assert [curve.u(i) for i in range(len(sds))] == pytest.approx(sds, rel=1e-5)
    assert curve.rss == pytest.approx(rss, rel=1e-9)


def test_the_start_at_which_boxbod_is_known_to_end_in_a_wrong_curve_is_refused() -> None:
    """From (1, 1) least squares run off to a step: no constant, and no warning but this one."""
    with pytest.raises(NoFitError):
        of(BOXBOD, RISE, (1.0, 1.0))


def test_a_minimum_that_is_not_the_only_one_is_refused() -> None:
    """A frequency has many: from a wrong start the fit converges, and is determined, and wrong."""
    x = np.linspace(0.0, 10.0, 60)
    y = np.sin(x) + 0.01 * np.random.default_rng(1).standard_normal(60)
    wave = lambda t, b: b[1] * np.sin(b[0] * t)  # noqa: E731
    assert fitted(wave, x, y, (1.05, 1.0)).constants == pytest.approx((1.0, 1.0), rel=0.01)
    with pytest.raises(NoFitError, match="another start ends in a better curve"):
        fitted(wave, x, y, (1.8, 0.4))


def test_beyond_its_points_a_curve_says_nothing() -> None:
    curve = of(MISRA, RISE, (250.0, 5e-4))
    assert curve.at(400.0) == pytest.approx(
        238.94212918 * (1.0 - math.exp(-400.0 * 5.5015643181e-4))
    )
    for x in (77.5, 760.1):
        with pytest.raises(NoFitError, match=r"beyond the points of the fit, 77\.6 to 760"):
            curve.at(x)


def test_points_that_carry_no_curve_are_refused_with_the_reason() -> None:
    with pytest.raises(NoFitError, match="2 points cannot carry 2 constants"):
        of(MISRA[:2], RISE, (250.0, 5e-4))
    with pytest.raises(NoFitError, match="not a finite number"):
        of((*MISRA, (800.0, math.nan)), RISE, (250.0, 5e-4))
    with pytest.raises(NoFitError):  # a straight line has no bend to tell the two constants apart
        of(tuple((x, 0.1 * x) for x, _ in MISRA), RISE, (250.0, 5e-4))
    with pytest.raises(NoFitError, match="changes nothing"):
        of(MISRA, lambda x, b: b[0] * x + 0.0 * b[1], (0.1, 1.0))


def test_students_t_against_the_printed_table() -> None:
    """JCGM 100:2008, table G.2, at 95 %."""
    assert [round(student_t(n), 2) for n in (1, 2, 5, 10, 30)] == [12.71, 4.30, 2.57, 2.23, 2.04]


def test_intervals_hold_what_is_true_as_often_as_they_say() -> None:
    """Of 400 noisy rises, the 95 % interval of the rate."""
    rng, x, held = np.random.default_rng(5), np.linspace(0.5, 30.0, 40), 0
    for _ in range(400):
        y = RISE(x, (20.0, 0.11)) + 0.4 * rng.standard_normal(len(x))
        low, high = fitted(RISE, x, y, (15.0, 0.2)).interval(1)
        held += low <= 0.11 <= high
    assert 0.92 <= held / 400 <= 0.98
