"""Merkle trees, their proofs and their check: RFC 9162, 2.1. Pure.

Nodes are SHA-256, 32 bytes. A tree is given by the hashes of its leaves, in order.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from platelink.evidence.wrong import EvidenceError

EMPTY = hashlib.sha256().digest()
"""Root of the tree without leaves (RFC 9162, 2.1.1)."""


def leaf_hash(data: bytes) -> bytes:
    """Of an entry of the log."""
    return hashlib.sha256(b"\0" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Of two trees side by side."""
    return hashlib.sha256(b"\1" + left + right).digest()


class Edge:
    """The right edge of a growing tree: the roots of the full trees that it consists of."""

    def __init__(self, leaves: Sequence[bytes] = ()) -> None:
        self.size = 0
        self._full: list[bytes] = []
        for leaf in leaves:
            self.add(leaf)

    def add(self, leaf: bytes) -> None:
        """Append the hash of a leaf."""
        self._full.append(leaf)
        self.size += 1
        size = self.size
        while not size & 1:
            right = self._full.pop()
            self._full[-1] = node_hash(self._full[-1], right)
            size >>= 1

    def root(self) -> bytes:
        """Of all leaves so far."""
        if not self._full:
            return EMPTY
        found = self._full[-1]
        for left in reversed(self._full[:-1]):
            found = node_hash(left, found)
        return found


def root_of(leaves: Sequence[bytes]) -> bytes:
    """The root of all leaves."""
    return Edge(leaves).root()


def _split(size: int) -> int:
    """The largest power of two below a size above one."""
    return 1 << (size - 1).bit_length() - 1


def inclusion(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The proof that the leaf at ``index`` is in the tree (2.1.3.1), the leaf's sibling first."""
    if not 0 <= index < len(leaves):
        raise IndexError(f"leaf {index} of a tree of {len(leaves)}")
    if len(leaves) == 1:
        return []
    k = _split(len(leaves))
    if index < k:
        return [*inclusion(leaves[:k], index), root_of(leaves[k:])]
    return [*inclusion(leaves[k:], index - k), root_of(leaves[:k])]


def included(leaf: bytes, index: int, size: int, path: Sequence[bytes]) -> bytes:
    """The root that a proof leads to (2.1.3.2). ``EvidenceError`` for a proof of another length."""
    if not 0 <= index < size:
        raise EvidenceError(f"there is no leaf {index} in a log of {size}")
    fn, sn, found = index, size - 1, leaf
    for sibling in path:
        if sn == 0:
            raise EvidenceError("the proof is too long for its place in the log")
        if fn & 1 or fn == sn:
            found = node_hash(sibling, found)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            found = node_hash(found, sibling)
        fn, sn = fn >> 1, sn >> 1
    if sn:
        raise EvidenceError("the proof is too short for its place in the log")
    return found


def consistency(leaves: Sequence[bytes], first: int) -> list[bytes]:
    """The proof that the tree began with its first leaves (2.1.4.1)."""
    if not 0 < first <= len(leaves):
        raise IndexError(f"a tree of {first} before one of {len(leaves)}")
    return _subproof(leaves, first, whole=True)


def _subproof(leaves: Sequence[bytes], first: int, *, whole: bool) -> list[bytes]:
    if first == len(leaves):
        return [] if whole else [root_of(leaves)]
    k = _split(len(leaves))
    if first <= k:
        return [*_subproof(leaves[:k], first, whole=whole), root_of(leaves[k:])]
    return [*_subproof(leaves[k:], first - k, whole=False), root_of(leaves[:k])]


def must_be_consistent(
    first: int, first_root: bytes, second: int, second_root: bytes, path: Sequence[bytes]
) -> None:
    """``EvidenceError`` unless the tree of ``second`` leaves began with that of ``first``
    (2.1.4.2)."""
    wrong = EvidenceError(f"the log of {second} does not begin with the log of {first}")
    if not 0 < first <= second:
        raise EvidenceError(f"a log of {second} cannot begin with one of {first}")
    if first == second:
        if path or first_root != second_root:
            raise wrong
        return
    rest = list(path)
    if not first & (first - 1):
        rest.insert(0, first_root)
    if not rest:
        raise wrong
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = rest[0]
    for node in rest[1:]:
        if sn == 0:
            raise wrong
        if fn & 1 or fn == sn:
            fr, sr = node_hash(node, fr), node_hash(node, sr)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node_hash(sr, node)
        fn, sn = fn >> 1, sn >> 1
    if sn or fr != first_root or sr != second_root:
        raise wrong
