"""Units at one broker, which keeps one text a topic: who shows what, and what comes of it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from datetime import timedelta

import pytest

from evidence.made import SEALED, SIGNER, small_bundle
from evidence.test_cosign import AT, copy_of, shop  # noqa: F401 -- a fixture
from evidence.test_outside import script
from platelink.daemon.cosigning import WAIT_ROUNDS, Cosigning, others_of, topics_of
from platelink.evidence.bundle import CHECKPOINT, PROOF, TAGS, bundle_of, check_bundle
from platelink.evidence.cosign import cosigned_by
from platelink.evidence.folder import write_folder
from platelink.evidence.keys import Signer
from platelink.evidence.note import Note, Signature, read_checkpoint, read_note, read_proof
from platelink.evidence.report import report_of
from platelink.evidence.seal import RECORD, manifest_of, read_seal
from platelink.evidence.told import REPORT
from platelink.publish.texts import LONGEST_BYTES
from platelink.publish.topics import Topics


class Broker:
    """Keeps the last text of each topic, and gives it again to whoever connects."""

    def __init__(self, *units):
        self.kept = {}
        self.members = {}
        for unit in units:
            self.join(unit)

    def join(self, unit):
        """At the start of a daemon."""
        own = topics_of(unit.signer.name)
        self.members[own] = unit, Cosigning(own, unit.others, lambda: unit.now)
        for topic, body in self.kept.items():
            self.members[own][1].texts.heard(topic, body)

    def carry(self, rounds=1):
        for _ in range(rounds):
            for unit, cosigning in self.members.values():
                cosigning.round(unit.log, unit.signer)
            for _, cosigning in self.members.values():
                while (text := cosigning.texts.next()) is not None:
                    topic, body = text
                    cosigning.texts.sent(topic, body, mid=7)
                    assert cosigning.texts.next() is None  # one at a time
                    assert cosigning.texts.answered(7) == topic
                    self.keep(topic, body.encode())

    def keep(self, topic, body):
        self.kept[topic] = body
        for _, cosigning in self.members.values():
            cosigning.texts.heard(topic, body)

    def of(self, unit):
        return self.members[topics_of(unit.signer.name)][1]


def names(data, others):
    return [one.name.split("/")[2] for one in cosigned_by(read_note(data), others)]


def test_all_cosign_each_other_and_show_it_to_everybody(shop):  # noqa: F811
    one, two, _ = shop
    broker = Broker(*shop)
    for unit, leaves in ((one, 3), (two, 1), (one, 2)):
        unit.grow(leaves)
        broker.carry(4)
    checkpoint = broker.kept["platelink/v1/invented-shop/unit-1/checkpoint"]
    assert names(checkpoint, one.others) == ["unit-2", "unit-3"]
    assert read_checkpoint(read_note(checkpoint)).size == 5
    for unit in shop:
        assert broker.of(unit).texts.notice == "" and not broker.of(unit).contradictions
    assert sorted(topic.removeprefix("platelink/v1/invented-shop/unit-3/") for topic in broker.kept
                  if "/unit-3/c" in topic) == [
        "checkpoint", "cosign/invented-shop/unit-1", "cosign/invented-shop/unit-2",
        "cosigned/invented-shop/unit-1", "cosigned/invented-shop/unit-2",
    ]  # fmt: skip


def test_a_witness_that_was_killed_before_it_answered_answers_after_its_start(shop):  # noqa: F811
    one, two, _ = shop
    broker = Broker(one, two)
    one.grow(2)
    broker.carry()
    broker.of(two).round(two.log, two.signer)  # it is on the disk, and was never sent
    broker.join(two)
    one.grow(1)
    broker.carry(4)
    assert names(one.log.head().data, one.others) == ["unit-2"]
    assert [read_checkpoint(note).size for note in two.witness.latest()] == [3]


def test_a_witness_that_was_away_cosigns_what_came_meanwhile(shop):  # noqa: F811
    one, two, three = shop
    broker = Broker(one, three)
    for _ in range(3):
        one.grow(2)
        broker.carry(3)
    assert names(one.log.head().data, one.others) == ["unit-3"]
    broker.join(two)
    broker.carry(4)
    assert names(one.log.head().data, one.others) == ["unit-3", "unit-2"]
    assert broker.of(two).texts.notice == ""


def test_a_log_that_was_put_back_and_goes_on_is_told_at_both_ends(shop, tmp_path):  # noqa: F811
    one, two, _ = shop
    broker = Broker(one, two)
    one.grow(4)
    broker.carry(4)
    fork = copy_of(one, tmp_path / "fork").grow(2).grow(5, "other")
    broker.join(fork)
    broker.carry(3)
    assert not broker.of(two).contradictions  # it may still show how it goes on
    assert list(broker.of(fork).contradictions) == [
        "unit-2 saw a log of this unit of 4 seals, signed by its key, that is not the one here: it "
        "was cut, or the key is used elsewhere"
    ]
    two.now += timedelta(minutes=2)
    broker.carry(WAIT_ROUNDS + 2)
    text = ("unit-1 showed a log of 7 seals, and not how it goes on from the 4 seen on 2031-05-06 "
            "07:08 UTC")  # fmt: skip
    assert list(broker.of(two).contradictions) == [text]
    assert broker.of(two).texts.notice == text
    assert names(fork.log.head().data, one.others) == []
    fork.log.close()


def test_two_faces_of_one_log_are_seen_though_the_witness_is_shown_the_other(shop, tmp_path):  # noqa: F811
    """What is shown to everybody and what the witness is asked must be one log."""
    one, two, _ = shop
    broker = Broker(one, two)
    one.grow(4)
    broker.carry(4)
    face = copy_of(one, tmp_path / "face").grow(3).grow(1, "other")
    broker.keep("platelink/v1/invented-shop/unit-1/checkpoint", face.log.head().data)
    broker.carry()
    assert "a second log of 4 seals" in broker.of(two).contradictions[0]
    face.log.close()


def test_what_a_broker_gives_that_is_no_such_text_is_told_and_passed_over(shop):  # noqa: F811
    one, two, _ = shop
    broker = Broker(one, two)
    base = "platelink/v1/invented-shop/unit-1"
    for topic in ("checkpoint", "cosign/invented-shop/unit-2", "cosigned/invented-shop/unit-2"):
        for body in (b"\xff", b"{}", b"old 0\n\n", b"x" * 50_000, b"x" * 2_000_000):
            broker.keep(f"{base}/{topic}", body)
            broker.of(two).round(two.log, two.signer)
            assert broker.of(two).texts.notice
    assert not broker.of(two).texts.heard("platelink/v1/invented-shop/unit-9/checkpoint", b"x")
    broker.keep(f"{base}/checkpoint", b"x" * 2_000_000)
    (kept,) = broker.of(two).texts.taken([f"{base}/checkpoint"]).values()
    assert len(kept) == LONGEST_BYTES + 1  # the rest is not kept in memory
    one.grow(1)
    broker.carry(4)
    assert names(one.log.head().data, one.others) == ["unit-2"]


def test_after_a_lost_connection_all_texts_are_sent_again(shop):  # noqa: F811
    one, two, _ = shop
    broker = Broker(one, two)
    one.grow(1)
    broker.carry(4)
    before, broker.kept = broker.kept, {}
    for unit in (one, two):
        broker.of(unit).texts.lost()
    broker.carry()
    assert broker.kept == before


def test_a_unit_passes_over_its_own_key_in_a_list_for_all():
    keys = [Signer.of_seed(f"platelink/shop/unit-{n}/0a1b2c3d", bytes(32)).verifier for n in (1, 2)]
    assert others_of(Topics("shop", "unit-2"), [key.text for key in keys]) == (keys[0],)


# --- in a bundle ---------------------------------------------------------------------------------

WITNESSES = [
    Signer.of_seed(f"platelink/invented-shop/unit-{n}/0a1b2c3d", bytes([n] * 32)) for n in (2, 3)
]
KEYS = [one.verifier for one in WITNESSES]
SEALED_S = 1_893_484_800
"""2030-01-01 08:00 UTC, when the record of the bundle was sealed."""


def cosigned(*at_s, by=WITNESSES):
    """The small bundle, cosigned at these seconds since 1970."""
    files = small_bundle()
    proof = read_proof(files[PROOF])
    text = proof.note.text
    lines = [
        Signature(signer.name, signer.verifier.cosigner.id, signer.cosign(text.encode(), at))
        for signer, at in zip(by, at_s, strict=False)
    ]
    note = Note(text, (*proof.note.signatures, *lines))
    payload = {path: data for path, data in files.items() if path.startswith("data/")}
    return bundle_of(
        payload, read_seal(files["seal.json"]), replace(proof, note=note), SIGNER.verifier,
        told={REPORT: report_of(payload[RECORD])},
    )  # fmt: skip


def check(files, **more):
    return check_bundle(files, SIGNER.verifier, others=KEYS, now=AT, **more)


def test_a_bundle_tells_who_cosigned_it_and_when():
    assert AT.timestamp() > SEALED_S and SEALED == "2030-01-01T08:00:00.000Z"
    found = check(cosigned(SEALED_S + 60, SEALED_S + 90), needed=2)
    assert found.problems == found.notices == ()
    assert [(one.name, int(one.at_utc.timestamp()) - SEALED_S) for one in found.cosigned] == [
        (WITNESSES[0].name, 60), (WITNESSES[1].name, 90)
    ]  # fmt: skip
    assert check_bundle(cosigned(SEALED_S + 60), SIGNER.verifier).problems == ()  # of strangers


def test_what_lacks_of_the_cosignatures_that_are_needed_is_named():
    (text,) = check(cosigned(SEALED_S), needed=2).problems
    assert text == (
        "cosigned by 1 units, 2 are needed: a cosignature lacks of "
        "platelink/invented-shop/unit-3/0a1b2c3d"
    )
    assert check(cosigned(SEALED_S), needed=1).problems == ()
    (text,) = check_bundle(cosigned(SEALED_S), SIGNER.verifier, needed=1).problems
    assert "no keys of other units were given" in text


def test_one_who_signs_twice_or_for_itself_is_no_second_witness():
    twice = cosigned(SEALED_S, SEALED_S + 9, by=[WITNESSES[0], WITNESSES[0]])
    assert len(check(twice, needed=2).problems) == 1
    own = cosigned(SEALED_S, by=[SIGNER])
    found = check_bundle(own, SIGNER.verifier, others=[SIGNER.verifier], needed=1)
    assert len(found.problems) == 1


def test_cosignatures_of_a_clock_that_is_wrong():
    late = check(cosigned(int(AT.timestamp()) + 3600), needed=1)
    assert "is dated ahead, 2031-05-06 08:08:09 UTC: it does not count" in late.notices[0]
    assert len(late.problems) == 1 and late.cosigned == ()
    early = check(cosigned(SEALED_S - 3600), needed=1)
    assert early.problems == () and "one of the two clocks was wrong" in early.notices[0]
    assert check(cosigned((1 << 63) - 1), needed=0).problems == ()


def test_no_bit_of_a_cosignature_is_free_where_it_is_needed():
    files = cosigned(SEALED_S)
    line = files[CHECKPOINT].rpartition(b"\xe2\x80\x94")[2]
    place = files[CHECKPOINT].rindex(line)
    for bit in range(8 * place, 8 * len(files[CHECKPOINT]), 5):
        bent = bytearray(files[CHECKPOINT])
        bent[bit // 8] ^= 1 << bit % 8
        proof = files[PROOF].replace(files[CHECKPOINT], bytes(bent))
        changed = {**files, CHECKPOINT: bytes(bent), PROOF: proof}
        tags = {p: d for p, d in changed.items() if not p.startswith("data/") and p != TAGS}
        changed[TAGS] = manifest_of(tags)  # as whoever forges it writes it
        assert check(changed, needed=1).problems, bit


def test_a_cosigned_bundle_is_verified_by_the_script_of_the_document(tmp_path):
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    write_folder(cosigned(SEALED_S, SEALED_S), tmp_path / "bag")
    (tmp_path / "verify.sh").write_text(script("verify"), "utf-8")
    (tmp_path / "key.pem").write_bytes(SIGNER.verifier.pem)
    done = subprocess.run(
        ["sh", "verify.sh", "bag", "key.pem"], cwd=tmp_path, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert "this is what was sealed" in done.stdout
