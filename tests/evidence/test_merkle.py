"""The Merkle tree and its proofs against printed vectors, and against the definition."""

from __future__ import annotations

import hashlib
import random

import pytest

from platelink.evidence.merkle import (
    EMPTY,
    Edge,
    consistency,
    included,
    inclusion,
    leaf_hash,
    must_be_consistent,
    node_hash,
    root_of,
)
from platelink.evidence.wrong import EvidenceError

# SOURCE: the leaves, roots and proofs of the test data of transparency-dev/merkle (they came with
# the first logs of certificates and stand in many libraries), RFC 6962 2.1 = RFC 9162 2.1.
LEAVES = [
    bytes.fromhex(text)
    for text in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
HASHES = [leaf_hash(leaf) for leaf in LEAVES]
FIRST_OF_EIGHT = [
    "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
    "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
    "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
]
TWO_TO_FIVE = [
    "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
    "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
]
SIX_TO_EIGHT = [
    "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
    "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
]


def hexed(nodes):
    return [node.hex() for node in nodes]


def test_roots_of_the_printed_leaves():
    assert [root_of(HASHES[:n]).hex() for n in range(9)] == ROOTS
    assert EMPTY.hex() == ROOTS[0]


def test_printed_proofs():
    assert hexed(inclusion(HASHES, 0)) == FIRST_OF_EIGHT
    assert hexed(inclusion(HASHES[:3], 2)) == [ROOTS[2]]
    assert hexed(inclusion(HASHES[:5], 1)) == [ROOTS[1], *TWO_TO_FIVE]
    assert hexed(consistency(HASHES, 1)) == FIRST_OF_EIGHT
    assert hexed(consistency(HASHES[:5], 2)) == TWO_TO_FIVE
    assert hexed(consistency(HASHES, 6)) == SIX_TO_EIGHT
    assert consistency(HASHES[:1], 1) == []


def by_definition(leaves):
    """RFC 9162, 2.1.1, word by word."""
    n = len(leaves)
    if n == 0:
        return hashlib.sha256(b"").digest()
    if n == 1:
        return hashlib.sha256(b"\0" + leaves[0]).digest()
    k = max(1 << i for i in range(n.bit_length()) if 1 << i < n)
    return node_hash(by_definition(leaves[:k]), by_definition(leaves[k:]))


MANY = [str(i).encode() for i in range(34)]
OF_MANY = [leaf_hash(leaf) for leaf in MANY]


def test_every_leaf_is_proven_in_every_tree_and_no_other():
    edge = Edge()
    for size in range(1, len(MANY)):
        edge.add(OF_MANY[size - 1])
        root = by_definition(MANY[:size])
        assert edge.root() == root
        for index in range(size):
            path = inclusion(OF_MANY[:size], index)
            assert included(OF_MANY[index], index, size, path) == root
            for wrong in {(index + 1) % size} if size > 1 else set():
                assert not leads(OF_MANY[index], wrong, size, path, root)
            for place in range(len(path)):
                bent = [*path[:place], bytes(32), *path[place + 1 :]]
                assert included(OF_MANY[index], index, size, bent) != root
            for bent in ([*path, bytes(32)], *([path[1:]] if path else [])):
                assert not leads(OF_MANY[index], index, size, bent, root)


def leads(leaf, index, size, path, root):
    try:
        return included(leaf, index, size, path) == root
    except EvidenceError:
        return False


def test_every_tree_began_with_every_smaller_one_and_with_no_other():
    rng = random.Random(1)
    for second in range(1, len(MANY)):
        new = by_definition(MANY[:second])
        for first in range(1, second + 1):
            old, path = by_definition(MANY[:first]), consistency(OF_MANY[:second], first)
            must_be_consistent(first, old, second, new, path)
            forged = [
                (first, bytes(32), second, new, path),
                (first, old, second, bytes(32), path),
                (first, old, second, new, [*path, bytes(32)]),
                (first, old, second, new, path[1:] if path else [bytes(32)]),
            ]
            if path:
                place = rng.randrange(len(path))
                bent = [*path[:place], rng.randbytes(32), *path[place + 1 :]]
                forged.append((first, old, second, new, bent))
            for one in forged:
                with pytest.raises(EvidenceError, match="does not begin with"):
                    must_be_consistent(*one)


def test_a_log_does_not_shrink():
    with pytest.raises(EvidenceError, match="cannot begin with one of 3"):
        must_be_consistent(3, bytes(32), 2, bytes(32), [])
    with pytest.raises(EvidenceError, match="no leaf 5 in a log of 5"):
        included(bytes(32), 5, 5, [])
