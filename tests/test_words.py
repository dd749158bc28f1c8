"""What people read is plain trade English: words that a native plate maker would not use stay
out."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from babel.messages.pofile import read_po

from platelink.config.model import Config, RecorderConfig
from platelink.events.event import EventName, for_people
from platelink.forms import walk
from platelink.recipe.model import Recipe

ROOT = Path(__file__).parent.parent
OUT = {
    r"\bcalls? (?:a|the|for|no|noise|above|after|people)\b": "raise an alarm, need attention",
    r"\b(?:is|are|was|were|be|been|not) told\b": "is shown, reported, recorded",
    r"\btold (?:at|as|ahead|apart|in|once|twice|with)\b": "shown, stated, predicted",
    r"\b(?:it|that|which|nothing|probe|sensor|gauge|record|device) tells?\b": "shows, says",
    r"\btells? (?:everything|all|what|how|whether|ahead|apart|the person)\b": "lists, shows, says",
    r"\blearn(?:s|ed|t|ing)?\b": "measured, recorded, taken from",
    r"\b(?:taught|teach(?:es)?|lessons?)\b": "lamp values",
    r"\b(?:foretold|(?<!bench )(?<!/)foretells?)\b": "predicted, forecast",
    r"\bmeans nothing now\b": "does not apply now",
    r"\b(?:take|takes|taken|took) (?:it |one |them )?out\b": "remove; put out of service",
    r"\bits life\b": "its history",
    r"\bthe one until now\b": "the present one, the previous one",
    r"\bfaster than life\b|\btimes life\b": "faster than real time",
    r"\bgo(?:es|ing)? on (?:without|with)\b": "continue without, continue with",
    r"\blamp off by\b": "lamps off (…)",
    r"\banew\b": "again",
    r"\bstands? still\b": "is stuck",
    r"\bin good order\b": "says nothing: leave out",
}
"""Pattern, and what to write instead."""

STABLE = {"journal begun anew", "lessons dropped", "learned", "lessons", "anew"}
"""Names in the record and on the wire; faces have words of their own for them."""
DOCUMENTS = [
    ROOT / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
    *sorted((ROOT / "docs/changes").glob("*.md")),
    *sorted((ROOT / "docs/how-to").glob("*.md")),
    *sorted((ROOT / "docs/explanation").glob("*.md")),
    ROOT / "dashboards/README.md",
]
SEEN_DOCSTRINGS = ("cli", "events", "recipe", "config")
"""Packages whose docstrings are shown: help of commands, tables of events and keys."""


def wrong(text: str) -> list[str]:
    """What stands there that should not, with what to write instead."""
    plain = text
    for name in STABLE:
        plain = re.sub(rf"[`\"']+{name}[`\"']+|--{name}\b", " ", plain)
    return [
        f"'{found[0]}': {better}"
        for pattern, better in OUT.items()
        if (found := re.search(pattern, plain, re.IGNORECASE))
    ]


def docstrings(tree: ast.AST) -> Iterator[ast.Constant]:
    """Strings that stand alone, which only readers of the code see."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value


def is_shown(node: ast.AST) -> bool:
    """A command, an event or a section: its docstring is a face."""
    if isinstance(node, ast.FunctionDef):
        return any("command" in ast.unparse(d) or "group" in ast.unparse(d)
                   for d in node.decorator_list)  # fmt: skip
    if isinstance(node, ast.ClassDef):
        bases = {ast.unparse(base) for base in node.bases}
        return any(b.endswith(("Event", "Section")) for b in bases)
    return False


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """(line, text) of what a file's strings may show: sentences, not names and not queries."""
    tree = ast.parse(path.read_text("utf-8"))
    hidden = set(map(id, docstrings(tree)))
    parts: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts |= {id(n) for n in ast.walk(node)} - {id(node)}
            words = [v.value if isinstance(v, ast.Constant) else "…" for v in node.values]
            yield node.lineno, "".join(map(str, words))
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in hidden | parts
        ):
            yield node.lineno, node.value
        elif is_shown(node) and path.relative_to(ROOT).parts[1] in SEEN_DOCSTRINGS:
            assert isinstance(node, ast.FunctionDef | ast.ClassDef)
            yield node.lineno, ast.get_docstring(node) or ""


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    return (
        (line, text)
        for line, text in texts(path)
        if " " in text.strip() and text not in STABLE and not text.isupper()
    )


def of_the_page(name: str) -> list[str]:
    with (ROOT / "platelink/web/texts" / name).open("rb") as file:
        return [str(m.id) for m in read_po(file) if m.id]


def test_no_such_word_is_in_a_string_that_people_may_read() -> None:
    bad = [
        f"{path.relative_to(ROOT)}:{line} {fault}"
        for path in sorted((ROOT / "platelink").rglob("*.py"))
        for line, text in sentences(path)
        for fault in wrong(text)
    ]
    bad += [f"{text} {fault}" for text in of_the_page("de.po") if text not in set(EventName)
            for fault in wrong(text)]  # fmt: skip
    bad += [fault for name in EventName for fault in wrong(for_people(name))]
    assert not bad


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: p.name)
def test_no_such_word_is_in_a_document(path: Path) -> None:
    text = " ".join(path.read_text("utf-8").split())
    assert not wrong(text)


@pytest.mark.parametrize(
    "text",
    [
        "Pace of a simulated unit, times life.", "lamp off by dose after 12 s of light",
        "an exposure must be told to go on without", "the probe tells the temperature",
        "what lamps taught", "it is learned anew", "the dose is told with its U",
        "Means nothing now: another alarm explains it", "Take one out of service",
    ],
)  # fmt: skip
def test_a_wrong_word_is_noticed(text: str) -> None:
    assert wrong(text)


@pytest.mark.parametrize(
    "text",
    [
        "the event `journal begun anew`", "function calls are counted", "a storyteller",
        "blocking calls", "event `lessons dropped`", "take the plate out with gloves",
        "the light goes on at once", "Continue with overdue calibrations.",
    ],
)  # fmt: skip
def test_an_innocent_word_is_left_alone(text: str) -> None:
    assert not wrong(text)


# --- advice names keys that exist ---------------------------------------------------------------


@cache
def sections() -> dict[str, set[str]]:
    """Keys of every section of the configuration and of a recipe, by the section's last name."""
    found: dict[str, set[str]] = {}
    for model in (Config, RecorderConfig, Recipe):
        for path, field in walk.sections(model):
            kinds = walk.members_of(field).values() or filter(None, [walk.section_of(field)])
            names = found.setdefault(path.split(".")[-1], set())
            for section in kinds:
                names |= set(section.model_fields)
                for name, below in section.model_fields.items():
                    if inner := walk.section_of(below):
                        found.setdefault(name, set()).update(inner.model_fields)
    return found


def advised(text: str) -> list[str]:
    """What a text says of `[section] key` that no file can have."""
    known = sections()
    bad = []
    pattern = r"(?<!\w)\[([a-z_.]+)\](?: ([a-z]+(?:_[a-z0-9]+)+|path|port|people)\b)?"
    for section, key in re.findall(pattern, text):
        last = section.split(".")[-1]
        if last not in known or (key and key not in known[last]):
            bad.append(f"[{section}] {key}".strip())
    return bad


def test_advice_names_only_keys_that_a_file_can_have() -> None:
    bad = [
        f"{path.relative_to(ROOT)}:{line} {what}"
        for path in sorted((ROOT / "platelink").rglob("*.py"))
        for line, text in sentences(path)
        for what in advised(text)
    ]
    assert not bad
    assert advised("set [broker] hold_without_subscriber") == ["[broker] hold_without_subscriber"]
    assert advised("see [recoder]") == ["[recoder]"]
    assert not advised("set another [journal] path, or [unit] adc_bits")
