"""Units that witness each other's logs: what is cosigned, and what never is."""

from __future__ import annotations

import base64
import sqlite3
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from platelink.evidence.cosign import (
    ContradictionError,
    Request,
    Witness,
    cosigned_by,
    gather,
    read_request,
    request_to,
)
from platelink.evidence.keys import COSIGNATURE, Signer, Verifier, cosigned_at_s
from platelink.evidence.log import Sealed, SealLog
from platelink.evidence.merkle import EMPTY
from platelink.evidence.note import Checkpoint, Note, read_checkpoint, read_note, sign
from platelink.evidence.seal import seal_of
from platelink.evidence.stamped import Stamps
from platelink.evidence.witnessed import Witnessed
from platelink.evidence.wrong import EvidenceError

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)

# SOURCE: a checkpoint of a public log for tests of certificate transparency, with a line of a
# public witness (keys and note as in the tests of several C2SP libraries).
REAL = """\
arche2025h1.staging.ct.transparency.dev
1432088532
U7WM79jrzyhGZ5/GUBTpM7NzwdyfFx61t3RovgcC4Ro=

— arche2025h1.staging.ct.transparency.dev ui8GwCF1+kWqZrxGdhj4aX3gcw7XUlXQQabg/27lefwhUkzbC3NygNI75\
MdhL1bfTW9g8Ei59RA23oHP7Ry1k3ZFWwQ=
— remora.n621.de 2net5wAAAABqEiEgPlfF3V06o0Y+fHM+J5J9s27wgxxcOVSpZ/2g/KSiXCg9DEZI+aVCIobWX9sXTynk\
5XeU/zZ0WBxtqB0DrAWfBw==
"""
REAL_LOG = (
    "arche2025h1.staging.ct.transparency.dev+ba2f06c0+AU0vHmlGCS/PdN8b2OaGmKprLI8HKM+dJ472xgFYh15f"
)
REAL_WITNESS = "remora.n621.de+da77ade7+BOvN63jn/bLvkieywe8R6UYAtVtNbZpXh34x7onlmtw2"
# SOURCE: c2sp.org/tlog-cosignature, its example, whose keys it does not tell.
SPEC = """\
example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gG\
zGku9nTo+zyWE+xeMcTOAYQ8=
— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyi\
n1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==
"""
SPEC_TIME = 1679315147
# SOURCE: c2sp.org/tlog-witness, the example of its request.
SPEC_REQUEST = """\
old 20852014
PlRNCrwHpqhGrupue0L7gxbjbMiKA9temvuZZDDpkaw=
jrJZDmY8Y7SyJE0MWLpLozkIVMSMZcD5kvuKxPC3swk=
5+pKlUdi2LeF/BcMHBn+Ku6yhPGNCswZZD1X/6QgPd8=
/6WVhPs2CwSsb5rYBH5cjHV/wSmA79abXAwhXw3Kj/0=

"""


def test_a_cosignature_of_a_public_witness_holds_and_is_dated():
    note = read_note(REAL.encode())
    log, witness = Verifier.of_text(REAL_LOG), Verifier.of_text(REAL_WITNESS, COSIGNATURE)
    assert note.signed_by([log, witness]) == [log, witness]
    assert cosigned_at_s(note.signatures[1].signature) == 1779573024
    for text in (REAL.replace("1432088532", "1432088533"), REAL.replace("AAABqEiEg", "AAABqEiEh")):
        with pytest.raises(EvidenceError, match="signature of remora"):
            read_note(text.encode()).signed_by([witness])


def test_the_examples_of_the_specifications_come_back_to_the_byte():
    note = read_note(SPEC.encode())
    assert note.data == SPEC.encode()
    assert cosigned_at_s(note.signatures[1].signature) == SPEC_TIME
    request = read_request((SPEC_REQUEST + SPEC).encode())
    assert (request.old, len(request.path)) == (20852014, 4)
    assert request.data == (SPEC_REQUEST + SPEC).encode()


def test_one_key_of_two_kinds_is_two_keys():
    signer = Signer.of_seed("platelink/shop/unit-1/0a1b2c3d", bytes(32))
    key, other = signer.verifier, signer.verifier.cosigner
    assert key.id != other.id and key.public == other.public
    assert Verifier.of_text(other.text, COSIGNATURE) == other
    for text, kind in ((other.text, b"\1"), (key.text, COSIGNATURE)):
        with pytest.raises(EvidenceError, match="does not fit it"):
            Verifier.of_text(text, kind)
    made = signer.cosign(b"text\n", 5)
    assert other.holds(made, b"text\n") and not key.holds(made[8:], b"text\n")
    assert not other.holds(made[:-1], b"text\n") and not other.holds(b"", b"text\n")
    assert not other.holds((1 << 63).to_bytes(8, "big") + made[8:], b"text\n")


@pytest.mark.parametrize(
    "above",
    [
        "", "old\n", "old 01\n", "old -1\n", "old 1 \n", "Old 1\n", "old 1\nAAAA\n",
        "old 1\r\n", "old 1\n" + 64 * (base64.b64encode(bytes(32)).decode() + "\n"), "new 1\n",
    ],
)  # fmt: skip
def test_what_is_no_request(above):
    assert read_request(b"old 1\n\n" + SPEC.encode()).old == 1
    with pytest.raises(EvidenceError):
        read_request((above + "\n" + SPEC).encode())


class Unit:
    """A unit with a log; its clock is set by hand."""

    def __init__(self, folder, name, seed):
        self.signer = Signer.of_seed(
            f"platelink/invented-shop/{name}/0a1b2c3{seed}", bytes([seed] * 32)
        )
        self.log = SealLog.open(folder / f"{name}.seals")
        self.now = AT
        if self.log.origin() is None:
            self.log.begin(self.signer, name)
        self.others = []

    def grow(self, leaves, word="invented"):
        for _ in range(leaves):
            name = f"{word}-{self.log.size()}"
            files = {"data/record.json": name.encode()}
            seal = seal_of("plate", name, files, sealed_utc="2031-05-06T07:08:00.000Z", unit="u")
            self.log.append([Sealed(seal, "j", 1, 1, files)], "j", 1, self.signer)
        return self

    @property
    def witness(self):
        return Witness(self.log, self.others, lambda: self.now)

    def asks(self, other):
        """What another unit answers to this one's request, taken to this one's checkpoint."""
        note = other.witness.asked(self.request(other).data, other.signer)
        if note is not None:
            gather(self.log, note.data, self.others, self.now)
        return note

    def request(self, other):
        return request_to(self.log, other.signer.name)

    def standing(self):
        return [(one.kind, one.text) for one in Witnessed(self.log.database).standing()]


@pytest.fixture
def shop(tmp_path):
    with ExitStack() as stack:
        units = [Unit(tmp_path, f"unit-{n}", n) for n in (1, 2, 3)]
        for unit in units:
            stack.callback(unit.log.close)
            unit.others = [u.signer.verifier for u in units if u is not unit]
        yield units


def names(unit):
    return [one.name.split("/")[2] for one in cosigned_by(unit.log.head(), unit.others)]


def test_a_log_that_grows_is_cosigned_by_all_each_time(shop):
    one, two, three = shop
    for leaves in (0, 1, 1, 5, 9):
        one.grow(leaves)
        for other in (two, three):
            note = one.asks(other)
            assert note.signed_by([one.signer.verifier, other.signer.verifier.cosigner])
        assert names(one) == ["unit-2", "unit-3"]
        assert read_checkpoint(one.log.head()).size == one.log.size()
    found = cosigned_by(one.log.head(), one.others)
    assert [(c.name, c.at_utc) for c in found] == [(u.signer.name, AT) for u in (two, three)]
    assert two.standing() == three.standing() == []


def test_what_was_cosigned_is_on_the_disk_before_anybody_gets_it(shop, tmp_path):
    """Killed in between: the answer is given again after the start, to the byte."""
    one, two, _ = shop
    one.grow(3)
    note = two.witness.asked(one.request(two).data, two.signer)  # and it was never sent
    two.log.close()
    again = Unit(tmp_path, "unit-2", 2)
    again.others = two.others
    again.now = one.now = AT + timedelta(days=1)
    assert again.witness.latest() == [note]
    assert again.witness.asked(one.request(two).data, again.signer) == note
    one.grow(2)
    gather(one.log, note.data, one.others, AT)
    assert read_checkpoint(one.asks(again)).size == 5
    again.log.close()


def test_a_request_that_begins_elsewhere_is_not_cosigned_and_another_follows(shop):
    one, two, _ = shop
    one.grow(3)
    note = two.witness.asked(one.request(two).data, two.signer)  # on its way
    one.grow(1)
    assert two.witness.asked(one.request(two).data, two.signer) is None
    assert gather(one.log, note.data, one.others, AT)
    assert not gather(one.log, note.data, one.others, AT)
    assert one.request(two).old == 3
    assert read_checkpoint(one.asks(two)).size == 4


def copy_of(unit, folder):
    """Another log under the same name and key."""
    folder.mkdir()
    _, _, name, digits = unit.signer.name.split("/")
    made = Unit(folder, name, int(digits[-1]))
    made.others = unit.others
    return made


def test_a_fork_is_never_cosigned_and_is_told_for_good(shop, tmp_path):
    one, two, _ = shop
    one.grow(5)
    one.asks(two)
    fork = copy_of(one, tmp_path / "fork").grow(4).grow(1, "other")
    with pytest.raises(
        ContradictionError,
        match=r"unit-1 showed a second log of 5 seals: another one was seen by 2031",
    ):
        two.witness.shown(fork.log.head().data)
    with pytest.raises(EvidenceError, match="second log of 5 seals"):
        two.witness.asked(fork.request(two).data, two.signer)
    one.grow(2)
    one.asks(two)
    assert names(one) == ["unit-2"]  # the one that goes on from what was seen
    assert [kind for kind, _ in two.standing()] == ["fork"]
    fork.log.close()


def test_a_fork_that_grew_past_what_was_seen_has_no_proof(shop, tmp_path):
    one, two, _ = shop
    one.grow(5)
    note = one.asks(two)
    fork = copy_of(one, tmp_path / "fork").grow(2).grow(6, "other")
    two.witness.shown(fork.log.head().data)  # it might go on
    with pytest.raises(EvidenceError, match="not the one here"):  # it hears what was seen of it
        gather(fork.log, note.data, fork.others, AT)
    assert fork.standing()[0][0] == "own"
    assert two.witness.asked(fork.request(two).data, two.signer) is None
    with pytest.raises(
        ContradictionError, match="not how it goes on from the 5 seen on 2031-05-06 07:08"
    ):
        two.witness.asked(fork.request(two).data, two.signer, waited=True)
    for path in (one.grow(3).request(two).path, ()):
        forged = Request(5, path, fork.log.head())
        with pytest.raises(
            EvidenceError, match="does not go on from the 5 seen on 2031-05-06 07:08"
        ):
            two.witness.asked(forged.data, two.signer)
    assert [n.text for n in two.witness.latest()] == [note.text]
    assert two.standing()[0][0] == "unproven"
    two.now += timedelta(minutes=5)
    one.asks(two)
    assert two.standing() == []  # it went on after all
    fork.log.close()


def test_a_log_that_shrank_is_never_cosigned(shop, tmp_path):
    one, two, _ = shop
    one.grow(5)
    one.asks(two)
    cut = copy_of(one, tmp_path / "cut").grow(3)
    with pytest.raises(ContradictionError, match="a log of 3 seals after one of 5 was seen"):
        two.witness.asked(cut.request(two).data, two.signer)
    with pytest.raises(EvidenceError, match="old checkpoint, or seals were removed") as told:
        two.witness.shown(cut.log.head().data)
    assert not isinstance(told.value, ContradictionError)  # told once
    assert read_checkpoint(two.witness.latest()[0]).size == 5
    cut.log.close()


def test_an_old_checkpoint_that_is_shown_again_moves_nothing(shop):
    one, two, _ = shop
    old = one.grow(2).request(two)
    one.asks(two)
    one.grow(4)
    new = one.asks(two)
    two.witness.shown(old.note.data)
    assert two.witness.asked(old.data, two.signer) == new
    assert two.standing() == []


def test_logs_and_keys_that_nobody_named(shop, tmp_path):
    one, two, three = shop
    two.others = [three.signer.verifier]
    with pytest.raises(EvidenceError, match="of no unit that is named"):
        two.witness.asked(one.grow(1).request(two).data, two.signer)
    two.others = [Signer.of_seed(one.signer.name, bytes(32)).verifier]
    with pytest.raises(EvidenceError, match="not signed by the key"):
        two.witness.asked(one.request(two).data, two.signer)
    two.others = [one.signer.verifier]
    request = one.request(two)
    bent = replace(request.note.signatures[0], signature=bytes(64))
    with pytest.raises(EvidenceError, match="does not hold"):
        two.witness.asked(replace(request, note=Note(request.note.text, (bent,))).data, two.signer)
    empty = Checkpoint(one.signer.name, 0, bytes(32))
    assert empty.root != EMPTY
    with pytest.raises(EvidenceError, match="without a proof"):
        two.witness.asked(Request(0, (), sign(empty.text, one.signer)).data, two.signer)
    with pytest.raises(EvidenceError, match="cannot have grown from 9"):
        two.witness.asked(replace(request, old=9).data, two.signer)
    assert two.witness.latest() == []


def test_cosignatures_that_are_forged_or_of_others_are_not_gathered(shop):
    one, two, _ = shop
    one.grow(2)
    note = two.witness.asked(one.request(two).data, two.signer)
    line = note.signatures[-1]
    later = (cosigned_at_s(line.signature) + 1).to_bytes(8, "big") + line.signature[8:]
    for bent in (
        replace(line, signature=later),
        replace(line, signature=line.signature[:8] + bytes(64)),
    ):
        with pytest.raises(EvidenceError, match="does not hold"):
            gather(one.log, Note(note.text, (bent,)).data, one.others, AT)
    stranger = Signer.of_seed(two.signer.name, bytes(32))
    forged = replace(
        line, key_id=stranger.verifier.cosigner.id, signature=stranger.cosign(note.text.encode(), 5)
    )
    with pytest.raises(EvidenceError, match="by no unit that is named"):
        gather(one.log, Note(note.text, (forged,)).data, one.others, AT)
    other = Checkpoint(one.signer.name, 2, bytes(32)).text  # which unit-1 never signed
    made = replace(line, signature=two.signer.cosign(other.encode(), 5))
    with pytest.raises(EvidenceError, match="what this unit never signed"):
        gather(one.log, Note(other, (made,)).data, one.others, AT)
    assert one.standing() == [] and names(one) == []
    earlier = note.text.replace("0a1b2c31", "0a1b2c39")  # of a log before this one
    made = replace(line, signature=two.signer.cosign(earlier.encode(), 5))
    assert not gather(one.log, Note(earlier, (made,)).data, one.others, AT)


def test_a_clock_that_is_wrong(shop):
    one, two, _ = shop
    one.grow(1)
    two.now = datetime(1970, 1, 1, tzinfo=UTC)
    with pytest.raises(EvidenceError, match="clock shows 1970; set it"):
        one.asks(two)
    two.now = AT + timedelta(days=2)
    with pytest.raises(EvidenceError, match="dated ahead"):
        one.asks(two)
    assert names(one) == []
    one.now, two.now = AT + timedelta(days=2), AT  # set right, and back
    one.asks(two)
    one.grow(1)
    one.asks(two)
    found = cosigned_by(one.log.head(), one.others)
    assert [c.at_utc for c in found] == [AT + timedelta(days=2)]  # never before the one before


def test_another_key_of_the_witness_cosigns_anew(shop):
    one, two, _ = shop
    one.grow(2)
    one.asks(two)
    old, two.signer = two.signer, Signer.of_seed(two.signer.name, bytes(range(32)))
    one.others.append(two.signer.verifier)
    note = one.asks(two)
    assert note.signed_by([old.verifier.cosigner, two.signer.verifier.cosigner]) == [
        two.signer.verifier.cosigner
    ]
    assert names(one) == ["unit-2"]
    assert len(one.log.head().signatures) == 3


def test_no_statement_of_sql_takes_back_what_was_seen(shop):
    one, two, _ = shop
    one.grow(2)
    one.asks(two)
    for log, table in ((two.log, "witnessed"), (one.log, "cosigned")):
        for verb in (f"DELETE FROM {table}", f"UPDATE {table} SET size = 1"):
            with pytest.raises(Exception, match="append-only"):
                log.database.execute(verb)


def test_a_log_of_an_earlier_release_is_read_as_it_is(shop, tmp_path):
    one, *_ = shop
    one.grow(2)
    one.log.close()
    with sqlite3.connect(tmp_path / "unit-1.seals") as raw:
        for table in ("cosigned", "witnessed", "contradictions", "stamps"):
            raw.execute(f"DROP TABLE {table}")
        raw.execute("PRAGMA user_version = 1")
    raw.close()
    with SealLog.open(tmp_path / "unit-1.seals", read_only=True) as log:
        assert read_checkpoint(log.head()).size == 2
        assert log.proof(1).must_hold(log.leaves()[1].seal.leaf)
        assert Witnessed(log.database).standing() == []
        assert list(Stamps(log.database).all()) == [] and Stamps(log.database).newest_size() == 0
    with SealLog.open(tmp_path / "unit-1.seals") as log:
        assert log.cosigned_size("x") == 0
    one.log = SealLog.open(tmp_path / "unit-1.seals")


def test_a_proof_has_the_checkpoint_that_most_cosigned(shop):
    one, two, three = shop
    one.grow(2)
    one.asks(two), one.asks(three)
    one.grow(1)
    assert read_checkpoint(one.log.proof(1).note).size == 2
    assert read_checkpoint(one.log.proof(2).note).size == 3
    one.asks(two)
    assert read_checkpoint(one.log.proof(1).note).size == 2
    one.asks(three)
    assert read_checkpoint(one.log.proof(1).note).size == 3
    for place in range(3):
        one.log.proof(place).must_hold(one.log.leaves()[place].seal.leaf)
