"""Which names and secrets may be given."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.people import names, secret

NAME = "Anna Example"


@pytest.mark.parametrize("name", ["A", "Zoë", "O'Example-2", "李", "x" * 60, "Anna  Example"])
def test_a_name_that_may_be_given(name: str) -> None:
    assert names.fault(name) is None


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("", "1 to 60 characters"),
        (" ", "1 to 60 characters"),
        ("Anna ", "no space before or after"),
        ("\tAnna", "no space before or after"),
        ("x" * 61, "has 61 characters; use no more than 60"),
        ("An\nna", "cannot be shown"),
        ("Anna\u200b", "cannot be shown"),  # zero width
        ("Anna\u00a0E", "cannot be shown"),  # a space that is none
        ("\ud800", "cannot be shown"),  # half a surrogate
        ("Anna\u202e", "cannot be shown"),  # turns what follows around
    ],
)
def test_a_name_that_may_not_be_given_says_why(name: str, told: str) -> None:
    assert told in (names.fault(name) or "")


@settings(deadline=None)  # other work on the same machine is no fault
@given(st.text(max_size=20))
def test_a_name_is_the_same_in_any_case_and_composition(name: str) -> None:
    key = names.key(name)
    assert names.key(key) == key
    assert names.key(unicodedata.normalize("NFD", name)) == key
    assert names.key(unicodedata.normalize("NFC", name)) == key
    assert names.key(name.casefold()) == key


def test_names_that_differ_stay_different() -> None:
    assert len({names.key(n) for n in ("Anna", "Ana", "Änna", "Anna B", "AnnaB")}) == 5
    assert names.key("STRASSE") == names.key("straße")


@pytest.mark.parametrize(
    "chosen", ["739201", "100000", "1234567891", "an invented one", "пароль-дня"]
)
def test_a_secret_that_may_be_chosen(chosen: str) -> None:
    assert secret.fault(chosen, NAME) is None


@pytest.mark.parametrize(
    ("chosen", "told"),
    [
        ("", "at least 10 characters"),
        ("73920", "a PIN has at least 6 digits"),
        ("000000", "repeats itself"),
        ("121212", "repeats itself"),
        ("123123", "repeats itself"),
        ("123456", "counts up or down"),
        ("987654321", "counts up or down"),
        ("789012", "counts up or down"),
        ("１２３４５６", "counts up or down"),  # wide digits are digits
        ("short", "a password has at least 10 characters"),
        ("73920a", "a password has at least 10 characters"),
        ("aaaaaaaaaaaa", "repeats itself"),
        ("Anna Example", "it is the name;"),
        ("annaexample", "it is the name;"),
        ("x" * 3 + "y" * 198, "no more than 200"),
        ("a\u0301" * 200 + "b", "no more than 200"),
        ("a line\nand another", "cannot be shown"),
        ("half a surrogate \ud800", "cannot be shown"),
    ],
)
def test_a_secret_that_may_not_be_chosen_says_why(chosen: str, told: str) -> None:
    assert told in (secret.fault(chosen, NAME) or "")


@settings(deadline=None)
@given(st.integers(0, 9), st.sampled_from([-1, 0, 1]), st.integers(6, 12))
def test_no_run_of_digits_is_a_pin(first: int, step: int, length: int) -> None:
    run = "".join(str((first + i * step) % 10) for i in range(length))
    assert secret.fault(run, NAME) is not None


@settings(deadline=None)
@given(st.text(max_size=30))
def test_a_secret_is_the_same_however_it_is_composed(chosen: str) -> None:
    normal = secret.normal(chosen)
    for form in ("NFC", "NFD", "NFKC", "NFKD"):
        assert secret.normal(unicodedata.normalize(form, chosen)) == normal
