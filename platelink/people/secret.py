"""PINs and passwords: which may be chosen. Pure.

Lengths: NIST SP 800-63B, 5.1.1.1, is content with 6 digits where the secret is given at random, and
asks for 8 characters of one that a person chooses. With the lock-out a PIN stands against guessing
at the unit. It does not stand against somebody who has the file: a password does better there.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from itertools import pairwise

from platelink.people import names

PIN_DIGITS = 6
PASSWORD_CHARACTERS = 10
LONGEST = 200
_TOO_LONG = f"use no more than {LONGEST} characters"


def normal(secret: str) -> str:
    """One form for however a keyboard composes accents or widens digits. Cut where no secret can
    be longer, so that a huge one costs no more than another wrong one."""
    return unicodedata.normalize("NFKC", secret[: 2 * LONGEST])[: LONGEST + 1]


def fault(secret: str, name: str) -> str | None:
    """Why the person of this name may not choose it, and what to do; None when they may."""
    if len(secret) > 2 * LONGEST:  # as typed, before anything is cut
        return _TOO_LONG
    return next((text for wrong, text in _faults(normal(secret), name) if wrong), None)


def _faults(secret: str, name: str) -> Iterator[tuple[bool, str]]:
    is_pin = secret.isascii() and secret.isdigit()
    yield len(secret) > LONGEST, _TOO_LONG
    yield not secret.isprintable(), "it has a character that cannot be shown; choose another"
    yield _key(secret) == _key(name), "it is the name; choose another"
    yield (
        is_pin and len(secret) < PIN_DIGITS,
        f"a PIN has at least {PIN_DIGITS} digits; choose a longer one",
    )
    yield (
        not is_pin and len(secret) < PASSWORD_CHARACTERS,
        f"a password has at least {PASSWORD_CHARACTERS} characters; choose a longer one, or a PIN "
        f"of at least {PIN_DIGITS} digits",
    )
    yield _repeats(secret), "it repeats itself; choose another"
    yield is_pin and _counts(secret), "it counts up or down; choose another"


def _key(text: str) -> str:
    return "".join(names.key(normal(text)).split())


def _repeats(text: str) -> bool:
    """True for 000000 and 121212: a text within its own doubling, but for the ends."""
    return text in (text + text)[1:-1]


def _counts(digits: str) -> bool:
    """True for 123456, 654321 and 789012."""
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(digits)}
    return steps in ({1}, {9})
