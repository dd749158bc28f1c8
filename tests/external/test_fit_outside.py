"""Our least squares against certified and published regressions."""

import importlib.resources
from datetime import date

import pytest

from platelink.sensing.calibrate import Comparison, judged
from platelink.sensing.calibration import Counts, Instrument, Level, Line, Quantity
from platelink.sensing.fit import FitError, t_99, weighted_fit

# NIST StRD, linear least squares, data set Pontius (load cell calibration; NIST e-Handbook 4.6.1):
# deflection at loads of 150,000 to 3,000,000, read twice; higher difficulty of its size by its
# large abscissae.
PONTIUS_LOAD = [150_000.0 * n for n in range(1, 21)] * 2
PONTIUS_DEFLECTION = [
    .11019, .21956, .32949, .43899, .54803, .65694, .76562, .87487, .98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    .11052, .22018, .32939, .43886, .54798, .65739, .76596, .87474, .98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
]  # fmt: skip


def norris() -> tuple[list[float], list[float]]:
    """NIST StRD, data set Norris (calibration of ozone monitors), as scipy's wheel carries it."""
    package = importlib.resources.files("scipy.stats.tests.data.nist_linregress")
    lines = package.joinpath("Norris.dat").read_text().splitlines()
    rows = [line.split() for line in lines[60:]]
    points = [(float(x), float(y)) for y, x in (row for row in rows if len(row) == 2)]
    return [x for x, _ in points], [y for _, y in points]


def test_norris_the_certified_straight_line() -> None:
    x, y = norris()
    assert len(x) == 36
    fit = weighted_fit(x, y)
    assert fit.coefficients == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-12)
    assert (fit.u(0), fit.u(1)) == pytest.approx(
        (0.232818234301152, 0.429796848199937e-03), rel=1e-12
    )
    assert fit.scatter == pytest.approx(0.884796396144373, rel=1e-12)


def test_pontius_the_certified_parabola_of_a_calibration() -> None:
    fit = weighted_fit(PONTIUS_LOAD, PONTIUS_DEFLECTION, None, (0, 1, 2))
    assert fit.coefficients == pytest.approx(
        (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14), rel=1e-11
    )
    assert [fit.u(p) for p in (0, 1, 2)] == pytest.approx(
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16], rel=1e-11
    )
    assert fit.scatter == pytest.approx(0.205177424076185e-03, rel=1e-11)


def test_a_calibrations_straight_line_and_its_curvature() -> None:
    """NIST e-Handbook 4.6.1, load cell: the straight line first tried (its printed values, from
    memory), and that it bends far beyond its scatter."""
    line = weighted_fit(PONTIUS_LOAD, PONTIUS_DEFLECTION)
    assert line.coefficient(0) == pytest.approx(0.614969e-2, abs=2e-8)
    assert line.u(0) == pytest.approx(0.7132e-3, abs=5e-8)
    assert line.coefficient(1) == pytest.approx(0.722103e-6, abs=5e-13)
    assert line.u(1) == pytest.approx(0.3969e-9, abs=5e-14)
    assert line.scatter == pytest.approx(0.0021712694, rel=5e-6)
    parabola = weighted_fit(PONTIUS_LOAD, PONTIUS_DEFLECTION, None, (0, 1, 2))
    assert abs(parabola.coefficient(2)) > 10.0 * t_99(parabola.dof) * parabola.u(2)
    # judged as a calibration: 0.3 % of the span, which is said and carried as uncertainty
    counts = Counts(mean=500.0, rms=1.0, u_mean=1e-4, n=6000, low=495, high=505)
    levels = tuple(
        Level(reference=100.0 * y, x=x / 1e4, counts=counts)
        for x, y in zip(PONTIUS_LOAD, PONTIUS_DEFLECTION, strict=True)
    )
    meter = Instrument(
        name="load", certificate="-", due_on=date(2030, 1, 1), u_abs=0.1, resolution=0.05
    )
    found = judged(
        Comparison(quantity=Quantity.VACUUM, instrument=meter, levels=levels),
        today=date(2026, 3, 2),
    )
    assert isinstance(found, Line), found
    bow = 100.0 * 0.316081871345029e-14 * (3_000_000.0 - 150_000.0) ** 2 / 4.0
    assert found.bow == pytest.approx(bow, rel=1e-3)


def test_no_intercept_the_certified_line_through_the_origin() -> None:
    # NIST StRD, data sets NoInt1 and NoInt2
    fit = weighted_fit([float(x) for x in range(60, 71)], [float(y) for y in range(130, 141)],
                       None, (1,))  # fmt: skip
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-14)
    assert fit.u(1) == pytest.approx(0.165289256198347e-01, rel=1e-12)
    assert fit.scatter == pytest.approx(3.56753034006338, rel=1e-12)
    fit = weighted_fit([4.0, 5.0, 6.0], [3.0, 4.0, 4.0], None, (1,))
    assert fit.coefficients[0] == pytest.approx(0.727272727272727, rel=1e-14)
    assert fit.u(1) == pytest.approx(0.420827318078432e-01, rel=1e-12)


def test_gum_h3_the_calibration_of_a_thermometer() -> None:
    # JCGM 100:2008, H.3: corrections b at readings t, straight line about 20 °C
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160]  # fmt: skip
    fit = weighted_fit([reading - 20.0 for reading in t], b)
    assert fit.coefficient(0) == pytest.approx(-0.1712, abs=5e-5)
    assert fit.coefficient(1) == pytest.approx(0.00218, abs=5e-6)
    assert fit.u(0) == pytest.approx(0.0029, abs=5e-5)
    assert fit.u(1) == pytest.approx(0.00067, abs=5e-6)
    assert fit.covariance[0][1] / fit.u(0) / fit.u(1) == pytest.approx(-0.930, abs=5e-4)
    assert fit.scatter == pytest.approx(0.0035, abs=5e-5)
    assert fit.at(10.0) == pytest.approx(-0.1494, abs=5e-5)
    assert fit.u_at(10.0) == pytest.approx(0.0041, abs=5e-5)


def test_weights_as_a_general_library_has_them() -> None:
    from scipy.optimize import curve_fit

    x, y = [1.0, 2.0, 4.0, 7.0, 9.0], [2.1, 3.8, 8.3, 13.7, 18.4]
    u = [0.1, 0.2, 0.2, 0.4, 0.8]
    fit = weighted_fit(x, y, u, (0, 1))
    theirs, covariance = curve_fit(lambda x, a, b: a + b * x, x, y, sigma=u)
    assert fit.coefficients == pytest.approx(tuple(theirs), rel=1e-7)
    assert fit.u(1) ** 2 == pytest.approx(covariance[1][1], rel=1e-6)
    _, stated = curve_fit(lambda x, a, b: a + b * x, x, y, sigma=u, absolute_sigma=True)
    known = weighted_fit(x, y, u, (0, 1), scaled=False)
    assert known.u(1) ** 2 == pytest.approx(stated[1][1] * max(1.0, fit.scatter) ** 2, rel=1e-6)


def test_students_t_is_the_tables() -> None:
    from scipy.stats import t

    for dof in (*range(1, 21), 25, 30, 40, 50, 100):
        assert t_99(dof) == pytest.approx(float(t.ppf(0.995, dof)), abs=0.0051)
    assert t_99(0) == float("inf")
    assert t_99(27) == t_99(25) >= float(t.ppf(0.995, 27))  # never smaller than it is


def test_what_cannot_be_told_is_not_fitted() -> None:
    with pytest.raises(FitError, match="cannot carry"):
        weighted_fit([1.0], [1.0])
    with pytest.raises(FitError, match="too close"):
        weighted_fit([5.0, 5.0, 5.0], [1.0, 1.1, 0.9])
    with pytest.raises(FitError, match="finite"):
        weighted_fit([1.0, 2.0], [float("nan"), 1.0])
