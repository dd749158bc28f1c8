"""What is signed: read whole, by the key alone, and not one bit may be another."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recipe.make import plate

from distribution.made import (
    OTHER_KEY,
    SHOP_KEY,
    SITE,
    approve,
    head,
    note,
    recipes_of,
)
from platelink.canonical import canonical
from platelink.config.shop import ShopSection
from platelink.distribution.model import MOST_BYTES, Recipes, text_of
from platelink.distribution.signed import CONTEXT, opened, signed
from platelink.distribution.wrong import NotTaken
from platelink.evidence.keys import Signer
from platelink.evidence.note import Checkpoint, read_checkpoint, read_note, sign
from platelink.evidence.wrong import EvidenceError
from platelink.recipe.store import RecipeStore

KEYS = (SHOP_KEY.verifier,)
EMPTY = Recipes(**head("recipes"), recipes=(), retired=())


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    with RecipeStore.open(tmp_path_factory.mktemp("shop") / "recipes.sqlite") as store:
        approve(store, plate())
        return note(recipes_of(store))


def test_what_was_signed_is_read_again_and_says_who_signed(data: bytes) -> None:
    found = opened(data, KEYS)
    assert found.key == SHOP_KEY.verifier and found.one.kind == "recipes"
    assert note(found.one) == data
    assert found.sha256 == opened(note(found.one, OTHER_KEY), (OTHER_KEY.verifier,)).sha256


@given(st.data())
def test_any_changed_bit_is_refused(data: bytes, draw: st.DataObject) -> None:
    place = draw.draw(st.integers(0, 8 * len(data) - 1))
    bent = bytearray(data)
    bent[place // 8] ^= 1 << place % 8
    with pytest.raises(NotTaken):
        opened(bytes(bent), KEYS)


@given(st.binary(max_size=2000))
def test_whatever_comes_is_refused_with_a_sentence(noise: bytes) -> None:
    with pytest.raises(NotTaken, match="sign"):
        opened(noise, KEYS)


def test_each_lie_has_its_sentence(data: bytes) -> None:
    one = opened(data, KEYS).one
    text = f"{CONTEXT}\n{text_of(one)}\n"
    with pytest.raises(NotTaken, match=r"no key of the shop: enter it under \[shop\] keys"):
        opened(data, ())
    with pytest.raises(NotTaken, match="not signed by the shop's key"):
        opened(note(one, OTHER_KEY), KEYS)
    with pytest.raises(NotTaken, match="not a signed text"):
        opened(text.encode(), KEYS)
    same_name = Signer(SHOP_KEY.name, OTHER_KEY.key)  # another key by the shop's name
    with pytest.raises(NotTaken, match="not signed by the shop's key"):
        opened(sign(text, same_name).data, KEYS)
    whole = read_note(data, most_bytes=MOST_BYTES)
    moved = type(whole)(whole.text.replace("the new season", "the old season"), whole.signatures)
    with pytest.raises(NotTaken, match="not what the shop signed: it was changed"):
        opened(moved.data, KEYS)
    with pytest.raises(NotTaken, match=r"bigger than 800,000 bytes"):
        opened(data + b"x" * MOST_BYTES, KEYS)


def test_stranger_s_words_are_in_no_sentence() -> None:
    """Whoever may write to the broker writes no sentences into the record."""
    stranger = Signer.of_seed("call-0900-now", bytes(32))
    for text in ("call 0900 now\n", f"{CONTEXT}\ncall 0900 now\n"):
        with pytest.raises(NotTaken) as caught:
            opened(sign(text, stranger).data, KEYS)
        assert "0900" not in str(caught.value)


def test_signature_of_another_kind_of_text_is_none_of_a_distribution() -> None:
    """Neither below the other: their first lines differ, whatever key signed."""
    shown = sign(Checkpoint(SHOP_KEY.name, 3, bytes(32)).text, SHOP_KEY).data
    with pytest.raises(NotTaken, match="not as a distribution"):
        opened(shown, KEYS)
    with pytest.raises(EvidenceError, match="checkpoint"):
        read_checkpoint(read_note(note(EMPTY)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"format": 2}, "format 2; this release reads 1: update platelink"),
        ({"format": 2, "new": "key"}, "format 2"), ({"new": "key"}, "new"),
        ({"kind": "lots"}, "kind"), ({"revision": 0}, "revision"), ({"revision": "1"}, "revision"),
        ({"site": "a/b"}, "site"), ({"unit": "_shop"}, "unit"), ({"why": " "}, "why"),
        ({"by": ""}, "by"), ({"earlier": [3, 2]}, "rise"), ({"earlier": [1]}, "rise"),
        ({"made_utc": "2026-03-09T07:00:00"}, "made_utc"),
        ({"kind": "people"}, "people"), ({"recipes": [{}]}, "recipes.0"),
    ],
)  # fmt: skip
def test_signed_and_yet_no_distribution_of_this_release(
    change: dict[str, object], words: str
) -> None:
    values = json.loads(text_of(EMPTY)) | change
    with pytest.raises(NotTaken, match=words):
        opened(sign(f"{CONTEXT}\n{canonical(values).decode()}\n", SHOP_KEY).data, KEYS)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "1", "{", "{ }", '{"format":1,"format":1}', "[" * 9000, "NaN", "null"]
)
def test_signed_and_no_json_of_ours(text: str) -> None:
    with pytest.raises(NotTaken, match="what the shop signed is no"):
        opened(sign(f"{CONTEXT}\n{text}\n", SHOP_KEY).data, KEYS)


def test_too_much_is_not_signed() -> None:
    retired = [
        {"recipe": "n", "hash": f"{n:064x}", "retired": {
            "who": "w", "at_utc": "2026-03-09T07:00:00Z", "why": "x" * 900}}
        for n in range(1000)
    ]  # fmt: skip
    many = Recipes.model_validate_json(
        json.dumps(json.loads(text_of(EMPTY)) | {"retired": retired})
    )
    with pytest.raises(NotTaken, match="units take at most 800,000"):
        signed(many, SHOP_KEY)


DOCUMENT = (Path(__file__).parents[2] / "docs" / "shop.md").read_text("utf-8")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs: apt-get install openssl")
def test_commands_of_the_document_verify_a_revision_and_find_a_changed_one(
    data: bytes, tmp_path: Path
) -> None:
    found = re.search(r"<!-- verify a revision -->\n```sh\n(.*?)```", DOCUMENT, re.S)
    assert found
    (tmp_path / "key").write_text(SHOP_KEY.verifier.text + "\n")
    for sent, good in ((data, True), (data.replace(b"new season", b"old season"), False)):
        (tmp_path / "revision.note").write_bytes(sent)
        done = subprocess.run(
            ["sh", "-c", found[1]], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert (done.returncode == 0) == good, done.stderr


def test_key_of_the_document_is_one() -> None:
    found = re.search(r'^   keys = \["(.*)"\]$', DOCUMENT, re.M)
    assert found and ShopSection(keys=[found[1]]).keys == (found[1],)
    with pytest.raises(ValueError, match="its id does not fit it"):
        ShopSection(keys=[found[1].replace("_shop/5", "_shop/6")])
    with pytest.raises(ValueError, match="platelink shop key"):
        ShopSection(keys=["platelink/shop/unit-1/0a1b2c3d+349b75aa+" + found[1][-44:]])


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs: apt-get install openssl")
def test_openssl_verifies_the_signature_and_finds_a_changed_bit(
    data: bytes, tmp_path: Path
) -> None:
    """As docs/shop.md tells an auditor: RFC 8032 by openssl's own code."""
    text, _, line = data.rpartition(b"\n\n")
    raw = base64.b64decode(line.split(b" ")[2])
    assert raw[:4] == SHOP_KEY.verifier.id
    (tmp_path / "key.pem").write_bytes(SHOP_KEY.verifier.pem)
    (tmp_path / "signature").write_bytes(raw[4:])

    def good(signed_text: bytes) -> bool:
        (tmp_path / "text").write_bytes(signed_text)
        command = ["openssl", "pkeyutl", "-verify", "-pubin", "-rawin", "-inkey", "key.pem",
                   "-sigfile", "signature", "-in", "text"]  # fmt: skip
        return (
            subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 0
        )

    assert good(text + b"\n") and not good(text + b" \n")
    assert not good(text.replace(SITE.encode(), b"invented-shed") + b"\n")
