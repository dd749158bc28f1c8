"""ChaCha20-Poly1305 as RFC 8439 writes it down, for comparison only: slow, and not for use."""

from __future__ import annotations

import struct

_MASK = 0xFFFFFFFF
_P = (1 << 130) - 5


def _quarter(s: list[int], a: int, b: int, c: int, d: int) -> None:
    """2.1: the quarter round."""
    for x, y, z, shift in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
        s[x] = (s[x] + s[y]) & _MASK
        s[z] ^= s[x]
        s[z] = ((s[z] << shift) | (s[z] >> (32 - shift))) & _MASK


def _block(key: bytes, counter: int, nonce: bytes) -> bytes:
    """2.3: the block function."""
    begin = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574]
    begin += [*struct.unpack("<8I", key), counter, *struct.unpack("<3I", nonce)]
    s = list(begin)
    for _ in range(10):
        for column in range(4):
            _quarter(s, column, 4 + column, 8 + column, 12 + column)
        for n in range(4):
            _quarter(s, n, 4 + (n + 1) % 4, 8 + (n + 2) % 4, 12 + (n + 3) % 4)
    return struct.pack("<16I", *((x + y) & _MASK for x, y in zip(s, begin, strict=True)))


def _poly1305(key: bytes, text: bytes) -> bytes:
    """2.5."""
    r = int.from_bytes(key[:16], "little") & 0x0FFFFFFC0FFFFFFC0FFFFFFC0FFFFFFF
    total = 0
    for at in range(0, len(text), 16):
        total = (total + int.from_bytes(text[at : at + 16] + b"\1", "little")) * r % _P
    whole = total + int.from_bytes(key[16:], "little")
    return (whole & ((1 << 128) - 1)).to_bytes(16, "little")


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 16)


def sealed(key: bytes, nonce: bytes, text: bytes, aad: bytes) -> bytes:
    """2.8: the text under the stream of 2.4, and its tag."""
    stream = b"".join(_block(key, 1 + n, nonce) for n in range(-(-len(text) // 64)))
    hidden = bytes(a ^ b for a, b in zip(text, stream, strict=False))
    lengths = struct.pack("<QQ", len(aad), len(hidden))
    tag = _poly1305(_block(key, 0, nonce)[:32], _padded(aad) + _padded(hidden) + lengths)
    return hidden + tag
