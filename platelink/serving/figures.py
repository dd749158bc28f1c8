"""Figures as text for scrapers, made by a library that is loaded when one first asks: it takes
14 MB, and most units are watched by nobody.
"""

from __future__ import annotations

from collections.abc import Iterable

from platelink.serving.figure import Figure

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def text_of(figures: Iterable[Figure]) -> str:
    """``exposed`` of ``platelink/serving/exposition.py``."""
    from platelink.serving.exposition import exposed  # noqa: PLC0415

    return exposed(figures)
