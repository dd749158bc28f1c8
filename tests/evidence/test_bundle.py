"""A bundle, and whoever changes one."""

from __future__ import annotations

import random

import pytest

from evidence.made import SIGNER, small_bundle
from platelink.evidence.bundle import BundleCheck, bundle_of, check_bundle
from platelink.evidence.keys import Signer
from platelink.evidence.merkle import inclusion, leaf_hash, root_of
from platelink.evidence.note import Checkpoint, Proof, read_proof, sign
from platelink.evidence.report import report_of
from platelink.evidence.seal import RECORD, read_seal, seal_of
from platelink.evidence.told import REPORT

KEY = SIGNER.verifier


def flipped(files, path, bit):
    bent = bytearray(files[path])
    bent[bit // 8] ^= 1 << bit % 8
    return {**files, path: bytes(bent)}


def test_a_bundle_as_it_was_made_holds():
    files = small_bundle()
    found = check_bundle(files, KEY)
    assert found.problems == ()
    assert found.notices == ()
    assert found.place == 3
    assert found.head.size == 7


def every_bit(files, step):
    bits = [(path, bit) for path in sorted(files) for bit in range(8 * len(files[path]))]
    return bits[::step]


def missed(files, bits):
    return [at for at in bits if not check_bundle(flipped(files, *at), KEY).problems]


def test_no_bit_is_free_every_seventh():
    files = small_bundle()
    bits = every_bit(files, 7)
    assert len(bits) > 3000
    assert missed(files, bits) == []


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_no_bit_is_free():
    files = small_bundle()
    bits = every_bit(files, 1)
    assert missed(files, bits) == []
    for path in sorted(files):
        print(f"| `{path}` | {8 * len(files[path]):,} | {8 * len(files[path]):,} |")


@pytest.mark.parametrize("path", sorted(small_bundle()))
def test_each_file_is_named_when_it_is_changed_or_gone(path):
    files = small_bundle()
    rest = {name: data for name, data in files.items() if name != path}
    for problems in (
        check_bundle(rest, KEY).problems,
        check_bundle({**files, path: files[path] + b" "}, KEY).problems,
    ):
        assert any(path in text for text in problems), problems


def test_what_was_put_in_is_told():
    files = small_bundle()
    assert check_bundle({**files, "data/more.csv": b"1\n"}, KEY).problems[:1] == (
        "data/more.csv was not sealed: it was put in",
    )
    assert check_bundle({**files, "note.txt": b"1\n"}, KEY).problems == (
        "note.txt does not belong here",
    )


def forged(files, signer, **changed):
    """What a forger makes who has this key: everything anew, of another record."""
    payload = {path: data for path, data in files.items() if path.startswith("data/")} | changed
    old = read_seal(files["seal.json"])
    seal = seal_of("plate", old.name, payload, sealed_utc=old.sealed_utc, unit=old.unit)
    nodes = [leaf_hash(bytes([i])) for i in range(7)]
    nodes[3] = seal.leaf
    head = Checkpoint(signer.name, 7, root_of(nodes))
    proof = Proof(3, tuple(inclusion(nodes, 3)), sign(head.text, signer))
    return bundle_of(
        payload, seal, proof, signer.verifier, told={REPORT: report_of(payload[RECORD])}
    )


def test_another_record_under_another_key_of_the_same_name():
    other = Signer.of_seed(SIGNER.name, bytes(32))
    record = small_bundle()[RECORD].replace(b"invented-operator", b"somebody-else")
    files = forged(small_bundle(), other, **{RECORD: record})
    found = check_bundle(files, KEY)
    assert found.problems[0] == (
        f"the checkpoint is signed by {KEY.name} ({other.verifier.id.hex()}), not by {KEY.name} "
        f"({KEY.id.hex()})"
    )
    assert check_bundle(files, other.verifier).problems == ()  # the key is what all hangs on


def test_another_record_under_the_same_seal():
    """Everything that is made without the key is made anew."""
    files = small_bundle()
    record = files[RECORD].replace(b"invented-operator", b"somebody-else")
    payload = {path: data for path, data in files.items() if path.startswith("data/")}
    payload[RECORD] = record
    seal, proof = read_seal(files["seal.json"]), read_proof(files["seal.tlog-proof"])
    told = {REPORT: report_of(record)}
    assert check_bundle(bundle_of(payload, seal, proof, KEY, told=told), KEY).problems == (
        "manifest-sha256.txt is not the one that was sealed",
    )


def test_the_seal_of_another_record():
    files = small_bundle()
    other = forged(files, Signer.of_seed(SIGNER.name, bytes(32)))
    found = check_bundle({**other, "seal.tlog-proof": files["seal.tlog-proof"]}, KEY)
    assert found.problems == () or "changed" in found.problems[-1]
    mixed = {**files, "seal.json": other["seal.json"].replace(b"plate-1", b"plate-9")}
    assert check_bundle(mixed, KEY).problems[0] == (
        "the seal is not leaf 3 of the log: its proof leads to another root than the checkpoint has"
    )


def test_another_place_in_the_log():
    files = small_bundle()
    proof = read_proof(files["seal.tlog-proof"])
    moved = Proof(2, proof.path, proof.note)
    assert "not leaf 2" in check_bundle({**files, "seal.tlog-proof": moved.data}, KEY).problems[0]


def test_a_report_that_tells_something_else_is_a_notice():
    files = small_bundle()
    payload = {path: data for path, data in files.items() if path.startswith("data/")}
    seal, proof = read_seal(files["seal.json"]), read_proof(files["seal.tlog-proof"])
    report = files["report.txt"].replace(b"invented-operator", b"somebody-else")
    assert report != files["report.txt"]
    found = check_bundle(bundle_of(payload, seal, proof, KEY, told={REPORT: report}), KEY)
    assert found.problems == ()
    assert found.notices == (
        "report.txt does not tell the sealed record; read data/record.json itself",
    )
    older = b"platelink 0.0.1\n" + report.partition(b"\n")[2]
    found = check_bundle(bundle_of(payload, seal, proof, KEY, told={REPORT: older}), KEY)
    assert "another release" in found.notices[0]


@pytest.mark.timeout(900)
def test_random_bits_of_a_large_bundle():
    from evidence.made import large_bundle

    files = large_bundle()
    assert check_bundle(files, KEY) == BundleCheck(
        (), read_seal(files["seal.json"]), Checkpoint(KEY.name, 1, root_of([leaf_of(files)])), 0
    )
    rng = random.Random(7)
    paths = sorted(files)
    sizes = [len(files[path]) for path in paths]
    assert sum(sizes) > 500_000
    for _ in range(12):
        (path,) = rng.choices(paths, sizes)
        bit = rng.randrange(8 * len(files[path]))
        assert check_bundle(flipped(files, path, bit), KEY).problems, (path, bit)


def leaf_of(files):
    return read_seal(files["seal.json"]).leaf
