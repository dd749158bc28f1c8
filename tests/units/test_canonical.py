"""Canonical JSON against RFC 8785 (JSON Canonicalization Scheme)."""

import json
import math
import struct

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from platelink.canonical import canonical, sha256_of

# RFC 8785, Appendix B: IEEE 754 bits and the number's text. From memory; the bits tell the value.
NUMBERS = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555555 333333333.3333333
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2
"""


@pytest.mark.parametrize("line", NUMBERS.split("\n")[1:-1])
def test_numbers_of_the_standard(line: str) -> None:
    bits, text = line.split()
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(value).decode() == text


def test_names_are_sorted_by_utf_16_code_units() -> None:
    """RFC 8785, 3.2.3: the emoji's surrogates come before U+FB33, whose code point is smaller."""
    order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    text = canonical(dict.fromkeys(reversed(order), 1)).decode()
    assert [name for name, _ in json.loads(text, object_pairs_hook=list)] == order


def test_texts_are_escaped_no_more_than_needed() -> None:
    """RFC 8785, 3.2.2.2."""
    text = "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/"
    assert canonical(text) == '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'.encode()


# Test data of the standard's author: github.com/cyberphone/json-canonicalization, testdata/input
# and testdata/output, files structures, values and weird.
AUTHORS = [
    (
        r"""{"1": {"f": {"f": "hi","F": 5} ,"\n": 56.0}, "10": { }, "": "empty", "a": { },
        "111": [ { } ], "A": { }}""",
        r"""{"":"empty","1":{"\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{}],"A":{},"a":{}}""",
    ),
    (
        r"""{"numbers": [1E30, 4.50, 333333333.33333329, 2e-3, 0.000000000000000000000000001],
        "escaping": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
        "literals": [null, true, false]}""",
        r"""{"escaping":"€$\u000f\nA'B\"\\\\\"/","literals":[null,true,false],"""
        r""""numbers":[1e+30,4.5,333333333.3333333,0.002,1e-27]}""",
    ),
    (
        r"""{"\u20ac": "Euro Sign", "1": "One", "\u0080": "Control\u007f", "\ud83d\ude02": "Smiley",
        "\u00f6": "Latin Small Letter O With Diaeresis",
        "\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": "Browser Challenge"}""",
        """{"1":"One","</script>":"Browser Challenge","\u0080":"Control\u007f","""
        """"\u00f6":"Latin Small Letter O With Diaeresis","\u20ac":"Euro Sign","""
        """"\U0001f602":"Smiley","\ufb33":"Hebrew Letter Dalet With Dagesh"}""",
    ),
]


@pytest.mark.parametrize(("given_", "wanted"), AUTHORS)
def test_the_authors_own_files(given_: str, wanted: str) -> None:
    assert canonical(json.loads(given_)).decode() == wanted


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(1 - 2**53, 2**53 - 1) | st.text()
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@given(VALUES)
def test_what_is_read_back_has_the_same_form(value: object) -> None:
    once = canonical(value)
    again = json.loads(once, parse_int=float)
    assert canonical(again) == once
    assert sha256_of(again) == sha256_of(value)


@given(VALUES)
def test_another_implementation_writes_the_same(value: object) -> None:
    """rfc8785, of the Python Package Index: an implementation of its own of the same standard."""
    assert canonical(value) == rfc8785.dumps(value)


@pytest.mark.parametrize("value", [2**53 - 1, 1 - 2**53, 2**53, -(2**53)])
def test_whole_numbers_are_taken_as_far_as_another_implementation_does(value: int) -> None:
    try:
        other: bytes | None = rfc8785.dumps(value)
    except rfc8785.IntegerDomainError:
        other = None
    try:
        own: bytes | None = canonical(value)
    except ValueError:
        own = None
    assert own == other and (own is None) == (abs(value) == 2**53)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_is_not_changed(value: float) -> None:
    assert float(canonical(value)) == value


@pytest.mark.parametrize("value", [math.nan, math.inf, 2**53, -(2**53), "\ud800"])
def test_what_has_no_form_is_refused(value: object) -> None:
    with pytest.raises(ValueError):
        canonical(value)


def test_what_json_does_not_know_is_refused() -> None:
    with pytest.raises(TypeError):
        canonical({1, 2})
