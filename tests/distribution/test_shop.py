"""The shop's folder: keys that are never overwritten, numbers that are never given twice."""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from distribution.made import NONCE, PEOPLE_KEY, SITE
from platelink.distribution.model import Recipes
from platelink.distribution.secrets import bound_to, closed, open_
from platelink.distribution.shop import ShopFolder, read_people_key
from platelink.distribution.signed import opened
from platelink.distribution.wrong import NotTaken
from platelink.evidence.wrong import EvidenceError

NOW = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> ShopFolder:
    made = ShopFolder(tmp_path / "shop", SITE)
    made.make_key()
    return made


def send(folder: ShopFolder, unit: str | None = None, revision: int | None = None) -> Recipes:
    head = folder.head("recipes", unit, made_utc=NOW, by="S. Example", why="why", revision=revision)
    one = Recipes(**asdict(head), recipes=(), retired=())
    path, data = folder.keep(one)
    assert path.read_bytes() == data
    return one


def test_keys_are_for_their_owner_alone_and_never_overwritten(folder: ShopFolder) -> None:
    folder.make_people_key()
    for path in (folder.key, folder.people_key):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.folder.stat().st_mode) == 0o700
    before = folder.key.read_bytes(), folder.people_key.read_bytes()
    with pytest.raises(FileExistsError):
        folder.make_key()
    with pytest.raises(FileExistsError):
        folder.make_people_key()
    assert before == (folder.key.read_bytes(), folder.people_key.read_bytes())
    assert len(read_people_key(folder.people_key)) == 32


def test_another_key_has_another_name_and_the_old_one_is_kept(folder: ShopFolder) -> None:
    old = folder.signer().verifier
    new = folder.make_key(replace=True).verifier
    assert new.name != old.name and new == folder.signer().verifier
    (aside,) = folder.folder.glob("shop.key.*")
    assert aside.name == f"shop.key.{old.id.hex()}"


@pytest.mark.parametrize(("text", "mode"), [("no key", 0o600), ("", 0o600), (None, 0o644)])
def test_a_key_that_cannot_sign_can_be_replaced_and_is_kept(
    folder: ShopFolder, text: str | None, mode: int
) -> None:
    if text is not None:
        folder.key.write_text(text)
    folder.key.chmod(mode)
    before = folder.key.read_bytes()
    folder.make_key(replace=True)
    send(folder)
    (aside,) = folder.folder.glob("shop.key.unreadable.*")
    assert aside.read_bytes() == before


def test_a_key_that_others_may_read_signs_nothing(folder: ShopFolder) -> None:
    folder.key.chmod(0o640)
    with pytest.raises(EvidenceError, match="platelink shop key --replace"):
        send(folder)
    folder.key.unlink()
    with pytest.raises(EvidenceError, match="make the shop's key, once: platelink shop key"):
        send(folder)


def test_a_people_key_that_cannot_be_one_is_refused(folder: ShopFolder, tmp_path: Path) -> None:
    assert read_people_key(None) is None
    with pytest.raises(NotTaken, match="cannot be read"):
        read_people_key(tmp_path / "none")
    folder.make_people_key()
    folder.people_key.chmod(0o640)
    assert read_people_key(folder.people_key)
    folder.people_key.chmod(0o644)
    with pytest.raises(NotTaken, match="can be read by everybody"):
        read_people_key(folder.people_key)
    for text in ("", "x", "AAAA\n", "é"):
        folder.people_key.write_text(text, "utf-8")
        folder.people_key.chmod(0o600)
        with pytest.raises(NotTaken, match="is no people key"):
            read_people_key(folder.people_key)


def test_numbers_rise_over_the_site_and_say_which_were_for_the_same_units(
    folder: ShopFolder,
) -> None:
    heads = [send(folder), send(folder, "unit-1"), send(folder, "unit-2"), send(folder, "unit-1")]
    heads += [send(folder), send(folder, revision=40), send(folder)]
    assert [one.revision for one in heads] == [1, 2, 3, 4, 5, 40, 41]
    assert [one.earlier for one in heads] == [
        (), (1,), (1,), (1, 2), (1,), (1, 5), (1, 5, 40)
    ]  # fmt: skip
    assert [(one.revision, one.unit) for one in folder.sent()][1] == (2, "unit-1")
    with pytest.raises(NotTaken, match="recipes has 41 already; give a higher one"):
        send(folder, revision=41)


def test_two_who_send_at_once_do_not_sign_two_under_one_number(folder: ShopFolder) -> None:
    head = folder.head("recipes", None, made_utc=NOW, by="S. Example", why="why")
    for why in ("one", "other"):
        one = Recipes(**(asdict(head) | {"why": why}), recipes=(), retired=())
        if why == "one":
            _, data = folder.keep(one)
            continue
        with pytest.raises(FileExistsError):
            folder.keep(one)
    (sent,) = folder.sent()
    assert sent.path.read_bytes() == data
    assert opened(data, (folder.signer().verifier,)).one.why == "one"


def test_what_a_full_disk_left_is_none_that_was_sent(
    folder: ShopFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    head = folder.head("recipes", None, made_utc=NOW, by="S. Example", why="why")
    one = Recipes(**asdict(head), recipes=(), retired=())
    with monkeypatch.context() as disk, pytest.raises(OSError, match="No space"):
        disk.setattr(os, "fsync", full)
        folder.keep(one)
    assert folder.sent() == ()
    assert folder.keep(one)[0].name == "recipes-000001.note"


@given(hashes=st.dictionaries(st.text(max_size=5), st.text(max_size=20)), place=st.integers(0))
def test_closed_hashes_open_with_the_key_and_no_changed_bit_does(
    hashes: dict[str, str], place: int
) -> None:
    import base64

    bound = bound_to(SITE, None, 7)
    secrets = closed(hashes, PEOPLE_KEY, NONCE, bound)
    assert open_(secrets, PEOPLE_KEY, bound) == hashes
    bent = bytearray(base64.b64decode(secrets))
    bent[place % len(bent)] ^= 1 << place % 8
    wrong = [
        (base64.b64encode(bent).decode(), PEOPLE_KEY, bound), (secrets, bytes(32), bound),
        (secrets, PEOPLE_KEY, bound_to(SITE, None, 8)), ("", PEOPLE_KEY, bound),
        (secrets, PEOPLE_KEY, bound_to(SITE, "unit-1", 7)), ("no base64", PEOPLE_KEY, bound),
    ]  # fmt: skip
    for one in wrong:
        with pytest.raises(NotTaken, match="cannot be opened"):
            open_(*one)


def test_hashes_are_closed_as_the_standard_says() -> None:
    """Another implementation of RFC 8439, 2.8, written from it here, closes the same: the block
    function of 2.3 and Poly1305 of 2.5. Its own example, 2.8.2, passes through it first."""
    import base64

    from distribution.rfc8439 import sealed
    from platelink.canonical import canonical

    key = bytes(range(0x80, 0xA0))
    nonce = bytes.fromhex("070000004041424344454647")
    aad = bytes.fromhex("50515253c0c1c2c3c4c5c6c7")
    text = (
        b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the "
        b"future, sunscreen would be it."
    )
    assert sealed(key, nonce, text, aad)[-16:].hex() == "1ae10b594f09e26a7e902ecbd0600691"
    hashes, bound = {"A. Example": "$argon2id$x"}, bound_to(SITE, None, 3)
    made = base64.b64decode(closed(hashes, key, nonce, bound))
    assert made == nonce + sealed(key, nonce, canonical(hashes), bound)
