"""Thermocouples and Pt100 against printed tables and general libraries."""

import pytest
import thermocouple_its90
from rtd_sensor import pt100 as rtd_pt100

from platelink.sensing.thermoelectric import THERMOCOUPLES, TYPE_K, TYPE_T, pt100_c, pt100_ohm

OVEN_C = 58.0


@pytest.mark.parametrize(
    ("letter", "first_c", "printed_mv"),
    [
        # SOURCE: NIST Monograph 175 tables (reference 0 °C, three decimals), each degree from 60
        ("K", 60, "2.436 2.478 2.519 2.561 2.602 2.644 2.685 2.727 2.768 2.810 2.851"),
        ("T", 60, "2.468 2.512 2.556 2.600 2.643 2.687 2.732 2.776 2.820 2.864 2.909"),
        # SOURCE: the same tables, at 350 °C; read in a reprint
        ("K", 350, "14.293"),
        ("T", 350, "17.819"),
        # from memory: the familiar value at 100 °C
        ("K", 100, "4.096"),
        ("T", 100, "4.279"),
    ],
)
def test_reference_functions_against_the_printed_tables(
    letter: str, first_c: int, printed_mv: str
) -> None:
    for i, printed in enumerate(printed_mv.split()):
        assert THERMOCOUPLES[letter].emf_mv(first_c + i) == pytest.approx(
            float(printed), abs=5.01e-4
        )


@pytest.mark.parametrize("letter", ["K", "T"])
def test_reference_functions_against_a_general_library(letter: str) -> None:
    # SOURCE: thermocouple-its90 1.0 (NIST ITS-90 direct polynomials)
    ours, theirs = THERMOCOUPLES[letter], thermocouple_its90.get(letter)
    t = ours.low_c
    while t <= ours.high_c:
        assert ours.emf_mv(t) == pytest.approx(theirs.emf(t), abs=1e-12)
        assert ours.emf_and_slope(t)[1] == pytest.approx(theirs.seebeck(t), rel=1e-9)
        t += 7.3


@pytest.mark.parametrize("letter", ["K", "T"])
def test_inverses_against_a_general_library(letter: str) -> None:
    ours, theirs = THERMOCOUPLES[letter], thermocouple_its90.get(letter)
    for t in (-20.0, 20.0, 60.0, OVEN_C, 70.0, 100.0, 200.0):
        for cold_c in (0.0, 18.0, 25.0, 40.0):
            mv = theirs.emf(t) - theirs.emf(cold_c)
            expected = theirs.temperature(mv, reference=cold_c)
            assert ours.temperature_c(mv, cold_c) == pytest.approx(expected, abs=1e-5)


def test_cold_junction_is_added_as_force_not_as_temperature() -> None:
    # SOURCE: thermocouple-its90: type K at 58 °C against 25 °C gives 1.353416 mV
    mv = 1.353416
    assert TYPE_K.temperature_c(mv, 25.0) == pytest.approx(OVEN_C, abs=5e-5)
    wrong = TYPE_K.temperature_c(mv)
    assert wrong == pytest.approx(33.6841, abs=5e-4)  # no compensation at all
    # adding 25 °C afterwards gives 58.68, 0.68 °C too much: the usual mistake
    assert wrong is not None
    assert wrong + 25.0 == pytest.approx(58.6841, abs=5e-4)
    assert abs(wrong + 25.0 - OVEN_C) > 0.6


def test_seebeck_coefficients_at_the_oven() -> None:
    # SOURCE: thermocouple-its90, µV/°C
    assert TYPE_K.emf_and_slope(OVEN_C)[1] * 1000.0 == pytest.approx(41.392, abs=5e-4)
    assert TYPE_T.emf_and_slope(OVEN_C)[1] * 1000.0 == pytest.approx(43.496, abs=5e-4)


PT100_TABLE = {
    # SOURCE: IEC 60751 table, ohm; read in a reprint
    -200: 18.52, -100: 60.26, -50: 80.31, 0: 100.00, 10: 103.90, 20: 107.79, 30: 111.67,
    40: 115.54, 50: 119.40, 60: 123.24, 70: 127.08, 80: 130.90, 90: 134.71, 100: 138.51,
    150: 157.33, 200: 175.86,
}  # fmt: skip


@pytest.mark.parametrize(("t", "ohm"), PT100_TABLE.items())
def test_pt100_against_the_printed_table(t: int, ohm: float) -> None:
    assert pt100_ohm(t) == pytest.approx(ohm, abs=5.01e-3)
    if t > -200:  # the rounded entry is below the range's end
        assert pt100_c(ohm) == pytest.approx(t, abs=0.02)


def test_pt100_against_a_general_library() -> None:
    # SOURCE: rtd-sensor 0.8 (IEC 60751, Callendar-Van Dusen)
    for t in (-150.0, -50.0, -0.5, 0.0, 25.0, 60.0, 65.0, OVEN_C, 70.0, 100.0, 400.0):
        ohm = rtd_pt100.celsius_to_resistance(t)
        assert pt100_ohm(t) == pytest.approx(ohm, abs=1e-9)
        assert pt100_c(ohm) == pytest.approx(t, abs=1e-6)


def test_pt100_inverse_of_a_table_entry() -> None:
    # SOURCE: computed from the equation: 125.16 ohm, the table's entry at 65 °C
    assert pt100_c(125.16) == pytest.approx(65.000114, abs=1e-6)
