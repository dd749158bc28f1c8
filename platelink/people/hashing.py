"""Secrets as argon2id hashes. The only import of argon2."""

from __future__ import annotations

import secrets
import threading
from functools import cached_property

from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from argon2.profiles import RFC_9106_LOW_MEMORY

from platelink.ledger.errors import StoreUnavailable
from platelink.people import secret as secret_rules

AT_ONCE = 2
"""Each takes 64 MiB for some tenths of a second: a flood of sign-ins must not take all memory."""

MOST_KIB, MOST_PASSES, MOST_LANES, LONGEST_HASH = 256 * 1024, 16, 16, 400
"""Of a hash that was made elsewhere: more would take this computer's memory at each sign-in."""


def fault(made: str) -> str | None:
    """Why a hash that was made elsewhere cannot be used here; None where it can."""
    try:
        found = extract_parameters(made)
        made.encode("ascii")
    except (InvalidHashError, ValueError):
        return "what proves them is no argon2 hash"
    few = (found.memory_cost <= MOST_KIB and found.time_cost <= MOST_PASSES
           and found.parallelism <= MOST_LANES)  # fmt: skip
    if found.type is not Type.ID or not few or len(made) > LONGEST_HASH:
        return f"what proves them is no argon2id hash of at most {MOST_KIB // 1024} MiB"
    return None


class Hashing:
    """Any thread; makes the others wait while ``AT_ONCE`` are at it."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
        self._turn = threading.BoundedSemaphore(AT_ONCE)

    @cached_property
    def nobodys(self) -> str:
        """The hash of a secret that nobody has: a name that nobody has takes as long to refuse."""
        return self.make(secrets.token_hex())

    def make(self, secret: str) -> str:
        """A new hash."""
        with self._turn:
            return self._hasher.hash(_bytes(secret))

    def right(self, known: str | None, secret: str) -> bool:
        """True when it is the secret of the known hash; one verification in any case."""
        try:
            with self._turn:
                self._hasher.verify(known or self.nobodys, _bytes(secret))
        except (VerifyMismatchError, InvalidHashError):  # a hash that is damaged is nobody's
            return False
        except VerificationError as error:  # no memory, most likely: not the person's fault
            text = f"the secret could not be checked ({error}); try again"
            raise StoreUnavailable(text) from error
        return known is not None

    def stale(self, known: str) -> bool:
        """True when the hash was made with other parameters than today's."""
        return self._hasher.check_needs_rehash(known)


def _bytes(secret: str) -> bytes:
    """Half a surrogate is no character, but may be typed at us."""
    return secret_rules.normal(secret).encode("utf-8", "surrogatepass")
