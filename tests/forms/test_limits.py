"""No text takes the machine's memory: what is over a limit is refused before it is parsed, and
what is within them is parsed in memory that its length bounds."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tomllib
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from platelink.config.load import ConfigError, load
from platelink.forms.limits import DEPTH, DIGITS, KEY_PARTS, TEXT_BYTES, WORD, over
from platelink.forms.problems import MOST
from platelink.recipe import example as recipe_example
from platelink.recipe.load import RecipeFileError, loads

PER_BYTE = 600
"""Bytes of memory for one of text: an empty table of a list takes most."""
FIXED = 4 << 20

HOSTILE = {
    "key of 30,000 parts": "a." * 30_000 + "a = 1",
    "quoted parts": '"a".' * 15_000 + "a = 1",
    "parts with blanks": "a . " * 15_000 + "a = 1",
    "header of many parts": "[" + "a." * 20_000 + "a]",
    "nested lists": "a = " + "[" * 30_000,
    "nested tables": "a = " + "{a = " * 10_000,
    "lists after a stray end": "]" * 20_000 + "\na = " + "[" * 30_000,
    "number without end": "a = " + "9" * 60_000,
    "number of the powers of two": "a = 0x" + "f" * 60_000,
    "fraction without end": "a = 0." + "9" * 60_000,
    "key without end": "a" * 60_000 + " = 1",
    "in a list": "a = [" + "{" + "b." * 9 + "b = 1}]",
    "longer than any recipe": "# nothing\n" * 10_000,
}
ADVICE = ("write fewer", "write them flatter", "shorten it", "round it", "remove")


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_would_take_the_memory_is_refused_and_says_what_to_do(text: str) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(RecipeFileError) as refused:
            loads(text)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    (problem,) = refused.value.problems
    assert any(advice in problem.text for advice in ADVICE), problem.text
    assert peak < FIXED


def test_it_is_told_in_which_line() -> None:
    assert "line 4:" in str(over("a = 1\nx = '''\n'''\na" + ".a" * KEY_PARTS + " = 1"))


def test_what_stands_in_a_text_or_a_comment_is_no_key() -> None:
    dots = "a." * 100
    for text in (f'a = "{dots}"', f"a = '{dots}'", f'a = """\n{dots}"""', f"a = '''{dots}'''",
                 f"# {dots}", f'a = "\\"{dots}"', f'a = "" # "{dots}'):  # fmt: skip
        assert over(text) is None, text
        tomllib.loads(text)


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        (".".join(["a"] * KEY_PARTS) + " = 1", ".".join(["a"] * (KEY_PARTS + 1)) + " = 1"),
        ("a = " + "[" * DEPTH + "]" * DEPTH, "a = " + "[" * (DEPTH + 1) + "]" * (DEPTH + 1)),
        ("a = " + "1" * DIGITS, "a = " + "1" * (DIGITS + 1)),
        ("a" * WORD + " = 1", "a" * (WORD + 1) + " = 1"),
        ("#" + "ä" * ((TEXT_BYTES - 1) // 2), "#" + "ä" * (TEXT_BYTES // 2)),
    ],
    ids=["parts", "depth", "digits", "word", "bytes"],
)
def test_the_limits_stand_where_they_say(good: str, bad: str) -> None:
    assert over(good) is None
    tomllib.loads(good)
    assert over(bad) is not None


def test_every_example_is_far_within_them() -> None:
    for name in recipe_example.names():
        text = recipe_example.text(name)
        assert over(text * 5) is None


PIECES = st.sampled_from(
    ["a", "b.", "a.", "'a'", '"a"', '"""', "'''", '"', "'", "\\", "\\\"", "=", " = ", "[", "]",
     "[[", "]]", "{", "}", ",", "#", "\n", " ", "1", "0x", "9" * 30, "1e9", "-", "+inf",
     "1979-05-27", "true", "ä", "\r\n", "\t", "a = 1\n", "[a]\n", "[[a]]\n", "a.b = 1\n",
     "x = [{a = 1}, {}]\n"]
)  # fmt: skip


@settings(max_examples=400, deadline=None)
@example(pieces=["[[a]]\n"], times=TEXT_BYTES // 6)
@example(pieces=["a = [", "{},"], times=2)
@example(pieces=["[a]\n[b.a]\n[c]\n"], times=1)
@example(pieces=['"""', "\\", '"'], times=9000)
@given(pieces=st.lists(PIECES, min_size=1, max_size=40), times=st.integers(1, 3000))
def test_whatever_is_within_the_limits_is_parsed_in_memory_that_its_length_bounds(
    pieces: list[str], times: int
) -> None:
    text = ("".join(pieces) * times)[: TEXT_BYTES // 4]
    tracemalloc.start()
    try:
        if over(text) is None:
            with contextlib.suppress(ValueError):
                tomllib.loads(text)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < FIXED + PER_BYTE * len(text)


CHILD = """
import resource, sys, json
from platelink.recipe.load import RecipeFileError, loads
texts = json.load(sys.stdin)
resource.setrlimit(resource.RLIMIT_AS, (600 << 20, 600 << 20))
for text in texts:
    try:
        loads(text)
    except RecipeFileError:
        pass
print(len(texts))
"""


def test_a_process_that_may_take_little_reads_them_all() -> None:
    """The whole way, with what is made of faults; without limits the first one ends it."""
    many = [
        "[[step]]\n" * 7000,
        "a = [" + "{}," * 20_000 + "]",
        "\n".join(f"k{n} = 1" for n in range(6000)),
    ]
    texts = [*HOSTILE.values(), *("format = 1\n" + text for text in many)]
    child = subprocess.run(
        [sys.executable, "-c", CHILD], input=json.dumps(texts), capture_output=True, text=True,
        check=False, timeout=100,
    )  # fmt: skip
    assert (child.returncode, child.stdout.strip()) == (0, str(len(texts))), child.stderr[-500:]


def test_of_very_many_faults_the_first_are_told_and_how_many_are_left() -> None:
    text = recipe_example.text(recipe_example.names()[0])
    text = "\n".join(f"k{n} = 1" for n in range(5000)) + "\n" + text
    with pytest.raises(RecipeFileError) as refused:
        loads(text)
    assert len(refused.value.problems) == MOST + 1
    assert "fix these first" in str(refused.value.problems[-1])


def test_a_file_is_read_no_farther_than_a_text_may_be(tmp_path: Path) -> None:
    for path in (Path("/dev/zero"), tmp_path / "long.toml"):
        if path.parent == tmp_path:
            path.write_text("#" * TEXT_BYTES + "ä")
        with pytest.raises(ConfigError, match="at most 65536 are read; remove"):
            load(path)
