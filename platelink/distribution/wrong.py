"""Why a unit does not take what it was sent. Pure."""

from __future__ import annotations


class NotTaken(Exception):  # noqa: N818 -- said to people as it stands, no fault of the program
    """The text says what is wrong and what to do. Nothing in it is of a text whose signature does
    not hold: strangers write no sentences into the record."""
