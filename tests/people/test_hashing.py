"""Secrets as hashes: how strong, and that they grow with the times."""

import base64
import re
import threading

import pytest
from argon2 import PasswordHasher, extract_parameters, profiles
from argon2.exceptions import VerificationError

from people.make import Counting
from platelink.ledger.errors import StoreUnavailable
from platelink.people import hashing
from platelink.people.hashing import Hashing


def test_the_parameters_are_those_of_the_standard() -> None:
    """SOURCE: RFC 9106, section 4, SECOND RECOMMENDED option: Argon2id, t=3 passes, p=4 lanes,
    m=2^16 KiB (64 MiB), salt of 128 bit, tag of 256 bit."""
    made = Hashing().make("an invented secret")
    found = re.fullmatch(r"\$argon2id\$v=19\$m=(\d+),t=(\d+),p=(\d+)\$([^$]+)\$([^$]+)", made)
    assert found
    assert [int(n) for n in found.groups()[:3]] == [2**16, 3, 4]
    salt, tag = (base64.b64decode(text + "=" * (-len(text) % 4)) for text in found.groups()[3:])
    assert (8 * len(salt), 8 * len(tag)) == (128, 256)
    # the library's own reading of the same option
    assert extract_parameters(made) == profiles.RFC_9106_LOW_MEMORY
    # SOURCE: OWASP Password Storage Cheat Sheet: at least m=19 MiB, t=2, p=1
    assert int(found[1]) >= 19 * 1024 and int(found[2]) >= 2


def test_salts_differ_and_only_the_secret_itself_is_right() -> None:
    hashes = Hashing(Counting())
    one, two = hashes.make("an invented secret"), hashes.make("an invented secret")
    assert one != two
    assert hashes.right(one, "an invented secret") and hashes.right(two, "an invented secret")
    assert not hashes.right(one, "an invented secre")
    assert not hashes.right(one, "An invented secret")
    assert not hashes.right(one, "\ud800")
    assert not hashes.right(None, "an invented secret")


def test_a_secret_longer_than_any_is_no_beginning_of_one() -> None:
    hashes = Hashing(Counting())
    longest = "xy" * 99 + "z!"
    made = hashes.make(longest)
    assert hashes.right(made, longest)
    assert not hashes.right(made, longest + "z")
    assert not hashes.right(made, longest + "z" * 1_000_000)


def test_other_parameters_than_todays_are_stale() -> None:
    hashes = Hashing(Counting())
    older = Hashing(PasswordHasher(time_cost=2, memory_cost=16, parallelism=1))
    assert hashes.stale(older.make("an invented secret"))
    assert not hashes.stale(hashes.make("an invented secret"))


def test_no_memory_is_not_a_wrong_secret() -> None:
    class Starved(Counting):
        def verify(self, hash: str | bytes, password: str | bytes) -> bool:
            raise VerificationError("Memory allocation error")

    with pytest.raises(StoreUnavailable, match="Memory allocation error"):
        Hashing(Starved()).right(None, "an invented secret")


def test_a_flood_takes_no_more_memory_than_two() -> None:
    pair = threading.Barrier(2, timeout=30.0)  # passes only while two are inside

    class Watched(Counting):
        inside, most = 0, 0
        guard = threading.Lock()

        def verify(self, hash: str | bytes, password: str | bytes) -> bool:
            with self.guard:
                Watched.inside += 1
                Watched.most = max(Watched.most, Watched.inside)
            pair.wait()
            try:
                return super().verify(hash, password)
            finally:
                with self.guard:
                    Watched.inside -= 1

    hashes = Hashing(Watched())
    made = hashes.make("an invented secret")
    threads = [
        threading.Thread(target=hashes.right, args=(made, "an invented secret")) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Watched.most == hashing.AT_ONCE == 2
