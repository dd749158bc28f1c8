"""What is written reads back as exactly the same."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.forms.keys import Section
from platelink.forms.walk import toml_value
from platelink.forms.write import to_toml, typed
from platelink.recipe.quantities import AREA, DEPTH, RULING
from platelink.units import DOSE, DURATION, PRESSURE, TEMPERATURE, Quantity

ALL = [DOSE, DURATION, PRESSURE, TEMPERATURE, AREA, DEPTH, RULING]


@pytest.mark.parametrize("quantity", ALL, ids=lambda q: q.name)
@given(value=st.floats(min_value=1e-9, max_value=1e9))
def test_a_quantity_means_what_it_meant(quantity: Quantity, value: float) -> None:
    assert quantity.parse(typed(quantity, value)) == value
    assert quantity.parse(typed(quantity, value, symbol=True)) == value


@pytest.mark.parametrize(
    ("quantity", "text"),
    [
        (PRESSURE, "18 inHg"),
        (PRESSURE, "62 kPa"),
        (TEMPERATURE, "137 degF"),
        (TEMPERATURE, "58.4 degC"),
        (DOSE, "340 mJ/cm2"),
        (DOSE, "2.9 J/cm2"),
        (DURATION, "25 s"),
        (DURATION, "600 s"),
        (DURATION, "20 min"),
        (DURATION, "1 h"),
        (DEPTH, "31 um"),
        (DEPTH, "1.8 mil"),
        (AREA, "1.2 m2"),
        (RULING, "120 lines/in"),
    ],
)
def test_a_quantity_is_written_as_it_was_typed(quantity: Quantity, text: str) -> None:
    assert typed(quantity, quantity.parse(text)) == text


@pytest.mark.parametrize(
    ("quantity", "text", "base"),
    [
        # 1 in = 2.54 cm exactly: NIST Special Publication 811 (2008), Appendix B.8.
        (DEPTH, "1 mil", 25.4),
        (DEPTH, "0.03 mm", 30.0),
        (AREA, "1 in2", 6.4516),
        (AREA, "1.5 m2", 15_000.0),
        (RULING, "254 lpi", 100.0),
        (DEPTH, "25 µm", 25.0),  # micro sign
        (DEPTH, "25 μm", 25.0),  # Greek letter
    ],
)
def test_quantities_of_recipes(quantity: Quantity, text: str, base: float) -> None:
    assert quantity.parse(text) == base


@given(st.text())
def test_a_text_is_written_as_toml(text: str) -> None:
    assert tomllib.loads(f"a = {toml_value(text)}") == {"a": text}


class Small(Section):
    """A section for the test."""

    words: str = "a\x7f\n\"'"
    on: bool = True
    number: float = 1e-7
    names: tuple[str, ...] = ("x", "é")
    none: str | None = None


def test_plain_values_are_written_as_toml() -> None:
    read = tomllib.loads(to_toml(Small()))
    assert read == {"words": "a\x7f\n\"'", "on": True, "number": 1e-7, "names": ["x", "é"]}
