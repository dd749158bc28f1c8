"""Secrets as argon2id hashes. The only import of argon2."""

from __future__ import annotations

import secrets
import threading
from functools import cached_property

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from argon2.profiles import RFC_9106_LOW_MEMORY

from platelink.ledger.errors import StoreUnavailable
from platelink.people import secret as secret_rules

AT_ONCE = 2
"""Each takes 64 MiB for some tenths of a second: a flood of sign-ins must not take all memory."""


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
