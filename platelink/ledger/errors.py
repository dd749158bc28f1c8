"""What can be wrong with a store's file. Each text says what was found and what to do. Pure."""

# ruff: noqa: N818 -- each name tells the state of the store, as a face shows it

from __future__ import annotations


class StoreError(Exception):
    """Base of everything a store raises."""


class StoreUnusable(StoreError):
    """The file cannot serve as the store; trying again changes nothing."""


class StoreUnavailable(StoreError):
    """Nothing was written now; the same can be written later."""


class StoreRefused(StoreError):
    """What was asked for contradicts what is recorded, or names what is not there."""
