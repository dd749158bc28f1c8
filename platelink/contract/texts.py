"""Texts of a recipe by language, as one text: ``[en] Rinse.`` and a line for each other. Pure.

Whoever shows it picks a language; a plain text is the same in every language.
"""

from __future__ import annotations

import re

FALLBACK = "en"
_TAG = re.compile(r"^\[([a-z]{2})\] ", re.MULTILINE)


def by_language(text: str) -> dict[str, str]:
    """The texts by language; empty for a plain text."""
    if not _TAG.match(text):
        return {}
    parts = _TAG.split(text)[1:]
    return {parts[i]: parts[i + 1].strip() for i in range(0, len(parts), 2)}


def said(text: str, language: str = FALLBACK) -> str:
    """The text in a language, else in English, else in its first; a plain text as it is."""
    texts = by_language(text)
    if not texts:
        return text
    return texts.get(language) or texts.get(FALLBACK) or next(iter(texts.values()))
