"""What is stored and cannot be understood, as a sentence: file, entry, way out. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from platelink.ledger.errors import StoreUnusable

WRONG = (
    ValueError, TypeError, LookupError, AttributeError, OverflowError, RecursionError, MemoryError,
)  # fmt: skip
"""What decoding raises; errors of JSON, Unicode and pydantic are ValueErrors."""
WAY_OUT = "restore a backup, or copy what is sound: platelink doctor --repair {path}"


def unreadable(path: object, what: str, error: BaseException) -> str:
    """The sentence."""
    shown = " ".join(str(error).split()) or type(error).__name__
    return f"{path}: {what} cannot be read ({shown:.200}); {WAY_OUT.format(path=path)}"


@contextmanager
def readable(path: object, what: str) -> Iterator[None]:
    """Around the decoding of what a store holds: ``StoreUnusable`` for whatever is wrong with it.
    ``what`` is the entry, as people find it."""
    try:
        yield
    except WRONG as error:
        raise StoreUnusable(unreadable(path, what, error)) from error
