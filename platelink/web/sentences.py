"""What a unit says, in the language of who reads it.

A record keeps the English words that the unit wrote. Here they are read back into the sentences of
the source, which stand in the catalogues under ``CONTEXT`` with their {places}, and are said again
in another language. What no sentence fits stays as it was written.
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from functools import cached_property, lru_cache

from babel.messages.catalog import Catalog

CONTEXT = "said by the unit"
EDGES = " ;:,."
"""What stands around a sentence where it is put beside another; catalogues have it without."""
LONGEST = 600
"""Longer texts are not the unit's."""
COMMAND = "platelink "
SEPARATORS = ("\n", "; ", ": ", ", ", ". ", " (")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*(?:e[-+]\d+)?|inf|nan)")
_NUMBERS = re.compile(rf"(?<![\w@.-]){_NUMBER.pattern}(?![\w.]*\w)")
_COUNTED = re.compile(rf"({_NUMBER.pattern}) (\w+)")
_SYMBOLS = re.compile(r"(?<![^\W\d_])(?:kPa|m[WJ]/cm²|°C|µm|ms|s|min|h|%)(?:/min)?(?![^\W\d_])")
_FORM = re.compile(r"\+|\+?z?(?:\.\d+)?[fgd]")
"""Of a number; other formats are of texts and times."""
_LETTERS = re.compile(r"[^\W\d_]")


def _letters(text: str) -> int:
    """Without symbols of units, which are the same in every language."""
    return len(_LETTERS.findall(_SYMBOLS.sub("", text)))


class _Kind(Enum):
    """What stands in a place."""

    NUMBER = 1
    WORDS = 2
    COMMAND = 3
    """Part of a command, which is typed as it stands."""


@dataclass(frozen=True)
class _Sentence:
    source: str
    """Of its pattern, which is compiled when a text first may fit: most are never said."""
    anchor: str
    """Its longest stretch without a place, to look for first."""
    places: tuple[tuple[str, _Kind], ...]
    translated: str

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        return re.compile(self.source, re.DOTALL)


@dataclass(frozen=True)
class _Said:
    text: str
    left: int
    """Letters that stayed as they were."""


def places(text: str) -> Iterator[tuple[str, str | None, str]]:
    """Parts of a sentence: words, and the name of the place behind them with its format."""
    unnamed = 0
    for words, name, form, _ in string.Formatter().parse(text):
        if name == "":
            name, unnamed = f"n{unnamed}", unnamed + 1  # noqa: PLW2901
        yield words, name, form or ""


def _sentence(source: str, translated: str) -> _Sentence:
    pattern, named, anchor = "", [], ""
    for words, name, form in places(source):
        pattern += re.escape(words)
        anchor = max(anchor, words, key=len)
        if name is not None:
            number = bool(_FORM.fullmatch(form))
            pattern += f"({_NUMBER.pattern})" if number else "(.*?)"
            kind = _Kind.NUMBER if number else _Kind.COMMAND if COMMAND in words else _Kind.WORDS
            named.append((name, kind))
    said = "".join(
        words.replace("{", "{{").replace("}", "}}") + ("" if name is None else f"{{{name}}}")
        for words, name, _ in places(translated)
    )
    return _Sentence(pattern, anchor, tuple(named), said)


class Sentences:
    """Those of one language. ``word`` gives a single word of the unit in it, or as it was;
    ``decimal`` is the sign between ones and tenths."""

    def __init__(self, catalog: Catalog, word: Callable[[str], str], decimal: str) -> None:
        self._word, self._decimal = word, decimal
        found = [
            _sentence(str(message.id), str(message.string))
            for message in catalog
            if message.context == CONTEXT and message.string
        ]
        self._sentences = sorted(found, key=lambda one: -len(_LETTERS.findall(one.source)))
        self._said = lru_cache(maxsize=4096)(self._read)

    def __call__(self, text: str) -> str:
        """The text in the language."""
        return self._said(text).text if 0 < len(text) <= LONGEST else text

    def left(self, text: str) -> int:
        """Letters of it that no sentence fits."""
        return self._said(text).left

    def _read(self, text: str) -> _Said:
        left = _letters(text)
        if left == 0:
            return _Said(_NUMBERS.sub(lambda found: self._number(found[0]), text), 0)
        word = self._word(text)
        if word != text:
            return _Said(word, 0)
        best = _Said(text, left)
        for way in self._ways(text):
            if way.left < best.left:
                best = way
            if best.left == 0:
                break
        return best

    def _ways(self, text: str) -> Iterator[_Said]:
        """How it can be read: whole sentences with the most words first."""
        for sentence in self._sentences:
            if sentence.anchor in text and (found := sentence.pattern.fullmatch(text)):
                yield self._filled(sentence, found)
        bare = text.strip(EDGES + "'()")
        if bare and bare != text:
            before, _, after = text.partition(bare)
            yield _Said(before + self._said(bare).text + after, self._said(bare).left)
        if counted := _COUNTED.fullmatch(text):
            what = self._said(counted[2])
            yield _Said(f"{self._number(counted[1])} {what.text}", what.left)
        for separator in SEPARATORS:
            at = text.find(separator)
            while at > 0:
                head, tail = self._said(text[:at]), self._said(text[at + len(separator) :])
                yield _Said(head.text + separator + tail.text, head.left + tail.left)
                at = text.find(separator, at + 1)

    def _filled(self, sentence: _Sentence, found: re.Match[str]) -> _Said:
        left, values = 0, {}
        for (name, kind), value in zip(sentence.places, found.groups(), strict=True):
            values[name] = self._number(value) if kind is _Kind.NUMBER else value
            if kind is _Kind.WORDS:
                inner = self._said(value)
                left += inner.left
                values[name] = inner.text
        return _Said(sentence.translated.format(**values), left)

    def _number(self, text: str) -> str:
        return text.replace(".", self._decimal)
