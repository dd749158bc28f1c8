"""Signed notes, checkpoints and proofs against the vectors of their own documents."""

from __future__ import annotations

import base64

import pytest

from platelink.evidence.keys import Signer, Verifier
from platelink.evidence.merkle import inclusion, leaf_hash, root_of
from platelink.evidence.note import Checkpoint, Proof, read_checkpoint, read_note, read_proof, sign
from platelink.evidence.wrong import EvidenceError

# SOURCE: golang.org/x/mod, sumdb/note, the example of its documentation.
GO_SEED = base64.b64decode("AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")[1:]
GO_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
GO_TEXT = (
    "If you think cryptography is the answer to your problem,\n"
    "then you don't know what your problem is.\n"
)
GO_NOTE = GO_TEXT + (
    "\n— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpR"
    "Zb6KE6RyyBwJnAM=\n"
)
# SOURCE: c2sp.org/signed-note, the example of its verifier keys.
SPEC_KEY = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
SPEC_NOTE = (
    "This is an example message.\n\n— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ON"
    "ncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
)
# SOURCE: RFC 8032, 7.1: secret key, public key, message, signature (from memory; the signatures
# were made again by two libraries).
RFC_8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701c"
        "f9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0"
        "f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f76098"
        "4dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
]  # fmt: skip
SIGNER = Signer.of_seed("platelink/shop/unit-1/0a1b", bytes(range(32)))
KEY = SIGNER.verifier


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_rfc_8032(secret, public, message, signature):
    signer = Signer.of_seed("x", bytes.fromhex(secret))
    assert signer.verifier.public.hex() == public
    assert signer.sign(bytes.fromhex(message)).hex() == signature
    assert signer.verifier.holds(bytes.fromhex(signature), bytes.fromhex(message))
    assert not signer.verifier.holds(bytes.fromhex(signature), bytes.fromhex(message) + b"0")


def test_the_example_of_the_go_library_to_the_byte():
    signer = Signer.of_seed("PeterNeumann", GO_SEED)
    assert signer.verifier.text == GO_KEY
    assert sign(GO_TEXT, signer).data == GO_NOTE.encode()
    note = read_note(GO_NOTE.encode())
    assert note.signed_by([Verifier.of_text(GO_KEY)]) == [signer.verifier]


def test_the_example_of_the_specification():
    key = Verifier.of_text(SPEC_KEY)
    assert read_note(SPEC_NOTE.encode()).signed_by([key]) == [key]
    with pytest.raises(EvidenceError, match="does not hold"):
        read_note(SPEC_NOTE.replace("example m", "Example m").encode()).signed_by([key])


def test_signatures_of_strangers_count_for_nothing():
    other = Signer.of_seed("platelink/shop/unit-2/0a1b", bytes(32))
    note = sign("text\n", SIGNER, other)
    assert note.signed_by([KEY]) == [KEY]
    assert note.signed_by([KEY, other.verifier]) == [KEY, other.verifier]
    assert note.signed_by([Signer.of_seed(KEY.name, bytes(32)).verifier]) == []


def test_keys_come_back_from_their_text_and_their_pem():
    assert Verifier.of_text(KEY.text) == KEY
    assert Verifier.of_pem(KEY.name, KEY.pem) == KEY
    assert Signer.of_pem(KEY.name, SIGNER.pem).verifier == KEY


def leaves():
    return [leaf_hash(bytes([i])) for i in range(11)]


def proof():
    nodes = leaves()
    head = Checkpoint(SIGNER.name, len(nodes), root_of(nodes))
    return Proof(6, tuple(inclusion(nodes, 6)), sign(head.text, SIGNER))


def test_a_proof_comes_back_and_holds():
    made = proof()
    found = read_proof(made.data)
    assert found == made
    assert found.must_hold(leaves()[6]).size == 11
    with pytest.raises(EvidenceError, match="not leaf 6 of the log"):
        found.must_hold(leaves()[5])


def test_no_bit_of_a_proof_is_free():
    data, leaf = proof().data, leaves()[6]

    def holds(bent: bytes) -> bool:
        try:
            found = read_proof(bent)
            return found.must_hold(leaf).origin == KEY.name and bool(found.note.signed_by([KEY]))
        except EvidenceError:
            return False

    assert holds(data)
    for bit in range(8 * len(data)):
        bent = bytearray(data)
        bent[bit // 8] ^= 1 << bit % 8
        assert not holds(bytes(bent)), f"bit {bit}"


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\n\n", b"text\n", b"text\n\n", GO_TEXT.encode(), b"\xff\n\n",
        GO_NOTE.replace("\n", "\r\n").encode(), GO_NOTE[:-1].encode(),
        GO_NOTE.replace("PeterNeumann ", "Peter Neumann ").encode(),
        GO_NOTE.replace("—", "-").encode(), (GO_NOTE + "\n").encode(),
        GO_NOTE.replace("nAM=", "nAN=").encode(),  # base64 that means the same
        GO_NOTE.replace("nAM=", "nAM").encode(),
        b"x" * 200_000 + GO_NOTE.encode(),
    ],
)  # fmt: skip
def test_what_is_no_note(data):
    with pytest.raises(EvidenceError):
        read_note(data)


@pytest.mark.parametrize(
    "text",
    [
        "log\n1\n", "log\n01\n{root}\n", "log\n-1\n{root}\n", "log\n+1\n{root}\n",
        "log\n1 \n{root}\n",
        "log\n1\n{root}\nmore\n", "log\n1\n{root}=\n", "log\n1\nAAAA\n", "log\n1_0\n{root}\n",
    ],
)  # fmt: skip
def test_what_is_no_checkpoint(text):
    root = base64.b64encode(bytes(32)).decode()
    with pytest.raises(EvidenceError):
        read_checkpoint(sign(text.format(root=root), SIGNER))


@pytest.mark.parametrize(
    "text",
    [
        "", "x", "a+b", "a+b+c", GO_KEY[:-1], GO_KEY.replace("c74f", "c74e"), GO_KEY + "\n",
        GO_KEY.replace("Peter", "Pete r"), GO_KEY.replace("ARpc", "AhPc"),
        GO_KEY.replace("c74f20a3", "C74F20A3"),
    ],
)  # fmt: skip
def test_what_is_no_key(text):
    with pytest.raises(EvidenceError):
        Verifier.of_text(text)
