"""Ranges of whole numbers: sorted, apart from each other, both ends included. Pure."""

from __future__ import annotations

from collections.abc import Iterable

Ranges = tuple[tuple[int, int], ...]


def joined(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """Any ranges in any order as one set of numbers."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(ranges):
        if found and first <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return tuple(found)


def holes(ranges: Ranges) -> Ranges:
    """From 1 to the last number: what is not there."""
    before = [0, *(last for _, last in ranges)]
    return tuple(
        (end + 1, first - 1)
        for end, (first, _) in zip(before, ranges, strict=False)
        if first > end + 1
    )


def common(a: Ranges, b: Ranges) -> Ranges:
    """What is in both."""
    found = [
        (max(x[0], y[0]), min(x[1], y[1])) for x in a for y in b if x[0] <= y[1] and y[0] <= x[1]
    ]
    return joined(found)


def without(a: Ranges, b: Ranges) -> Ranges:
    """What is in ``a`` and not in ``b``."""
    if not a:
        return a
    end = a[-1][1]
    return common(a, holes(joined((*b, (end + 1, end + 1)))))
