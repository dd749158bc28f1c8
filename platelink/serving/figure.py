"""A figure for scrapers: one name, with a value for each set of labels. Data only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

Labels = Mapping[str, str]


class Figure(NamedTuple):
    """One name, and its value for each set of labels; a counter's name ends in ``_total``. What is
    not known has no value."""

    name: str
    text: str
    values: Sequence[tuple[Labels, float | None]]
