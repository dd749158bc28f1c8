"""What has closed is sealed, once, whatever happens meanwhile; and whoever changes it is found."""

from __future__ import annotations

import itertools
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from evidence.made import UNIT, journal_of_two
from platelink.codec import decode, encode
from platelink.contract.words import Role
from platelink.events.unit import DoseCorrected
from platelink.evidence.audit import audit_log, audit_records
from platelink.evidence.key_file import make_key
from platelink.evidence.keys import Signer
from platelink.evidence.log import SealLog
from platelink.evidence.note import read_checkpoint
from platelink.evidence.sealer import Sealer, SealPlaces
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.by import By
from platelink.ledger.database import Database
from platelink.people.store import People
from platelink.recipe.store import RecipeStore
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent, RunStart
from platelink.simulated.plates import example

pytestmark = pytest.mark.timeout(600)
AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


class Bench:
    def __init__(self, folder):
        self.places = SealPlaces(
            "invented-shop", UNIT, folder / "journal.sqlite", folder / "journal.seals",
            folder / "journal.seals.key",
            (("recipes", folder / "recipes.sqlite"), ("people", folder / "people.sqlite")),
        )  # fmt: skip
        self.minutes = itertools.count()

    def now(self):
        return AT + timedelta(minutes=next(self.minutes))

    def seal(self):
        with closing(Sealer(self.places, self.now)) as sealer:
            return sealer.round()

    def kinds(self):
        with SealLog.open(self.places.log, read_only=True) as log:
            return [(leaf.seal.kind, leaf.seal.name) for leaf in log.leaves()]

    def head(self):
        with SealLog.open(self.places.log, read_only=True) as log:
            return log.head()

    def audit(self, *heads, key=None):
        with (
            SealLog.open(self.places.log, read_only=True) as log,
            JournalReader.open(self.places.journal) as reader,
        ):
            found = audit_log(log, heads=heads, key=key)
            return audit_records(log, reader, dict(self.places.stores), found=found)

    def tamper(self, *statements, file=None):
        """What somebody does who may write the file and knows SQL."""
        with closing(sqlite3.connect(file or self.places.journal)) as raw:
            for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
                raw.execute(f"DROP TRIGGER {name}")
            raw.execute("PRAGMA foreign_keys = OFF")
            for statement in statements:
                raw.execute(statement)
            raw.commit()


@pytest.fixture
def bench(tmp_path):
    journal_of_two(tmp_path / "journal.sqlite")
    return Bench(tmp_path)


def test_plates_are_sealed_once_and_found_whole(bench):
    assert bench.seal() == 4
    assert [kind for kind, _ in bench.kinds()] == ["events", "plate", "events", "plate"]
    assert bench.seal() == 0
    found = bench.audit()
    assert found.problems == found.notices == []
    assert (found.leaves, found.records, found.waiting) == (4, 4, 0)
    assert bench.places.key.stat().st_mode & 0o777 == 0o600


def test_times_of_seals_never_go_back(bench):
    bench.minutes = iter([50, 40, 30, 20, 10])
    bench.seal()
    assert bench.audit().problems == []


def append_event(bench, event):
    with Journal.open(bench.places.journal, unit=UNIT, new_uuid="x", ballast_bytes=4096) as journal:
        number = journal.reader.last_number() + 1
        journal.append(RunEvent(
            id=journal.next_id(), run_id=None, unit=UNIT, at_utc=AT, name=event.name,
            data=event.data(), text="invented",
        ))  # fmt: skip
    return number


def test_what_is_added_to_a_record_later_is_sealed_as_a_record_of_its_own(bench):
    bench.seal()
    number = append_event(bench, DoseCorrected("run-2", 1.0, 2.0, 3.0, 0.5))
    assert bench.seal() == 1
    assert bench.kinds()[-1] == ("note", f"entry {number}")
    assert bench.audit().problems == []


def test_an_exposure_without_a_plate(bench):
    bench.seal()
    with Journal.open(bench.places.journal, unit=UNIT, new_uuid="x", ballast_bytes=4096) as journal:
        journal.append(
            RunStart(id=journal.next_id(), run_id="alone", unit=UNIT, at_utc=AT, step="film",
                     plate="plate-1")
        )  # fmt: skip
        assert bench.seal() == 0  # it is open
        assert bench.audit().waiting == 0
        journal.end_run("alone", AT, "stopped", "invented")
        assert bench.audit().waiting == 1
    assert bench.seal() == 2
    assert bench.kinds()[-1] == ("exposure", "alone")
    assert bench.audit().problems == []


@pytest.mark.parametrize("last", ["film", "plate"])
def test_a_plate_is_sealed_once_all_of_it_has_ended(bench, last):
    bench.seal()
    with Journal.open(bench.places.journal, unit=UNIT, new_uuid="x", ballast_bytes=4096) as journal:
        for run_id, step, kind in (("plate-9", "plate", "plate"), ("run-9", "film", "expose")):
            journal.append(RunStart(
                id=journal.next_id(), run_id=run_id, unit=UNIT, at_utc=AT, step=step,
                plate="plate-9", request={"kind": kind},
            ))  # fmt: skip
        ends = ["plate-9", "run-9"] if last == "film" else ["run-9", "plate-9"]
        for run_id in ends:
            assert bench.seal() == 0
            journal.end_run(run_id, AT, "complete", "invented")
    assert bench.seal() > 0
    assert bench.kinds()[-1] == ("plate", "plate-9")
    assert bench.audit().problems == []


def test_people_and_recipes(bench):
    with People.open(bench.places.stores[1][1]) as people:
        people.add_first("invented-lead", "2718281828", By("invented-lead", AT, "first"))
        people.add("invented-hand", Role.OPERATOR, "1618033", By("invented-lead", AT, "new"))
    with RecipeStore.open(bench.places.stores[0][1]) as recipes:
        recipes.add(example(), By("invented-lead", AT))
        recipes.approve("plate-a-fine@1", By("invented-lead", AT, "tried"))
    bench.seal()
    assert bench.kinds()[4:] == [
        ("recipe", "approved plate-a-fine@1"), ("people", "entry 1"), ("people", "entry 2"),
    ]  # fmt: skip
    assert bench.audit().problems == []
    bench.tamper(
        "UPDATE entries SET who = 'somebody-else' WHERE act = 'approved'",
        file=bench.places.stores[0][1],
    )
    (text,) = bench.audit().problems
    assert text.endswith('entries 1, who was "invented-lead", is "somebody-else"')


# --- whoever changes the journal ---------------------------------------------------------------


def told(bench, *statements):
    bench.seal()
    bench.tamper(*statements)
    problems = bench.audit().problems
    assert problems
    return problems


def test_another_operator(bench):
    problems = told(
        bench,
        "UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
        "WHERE run_id = 'plate-1' AND kind = 'start'",
        "UPDATE runs SET operator = 'somebody-else' WHERE run_id = 'plate-1'",
    )
    assert len(problems) == 1
    assert problems[0].startswith("plate plate-1, sealed 2031-05-06T07:")
    assert problems[0].endswith(
        'was changed: runs 0, start, operator was "example-operator", is "somebody-else"'
    )


def test_another_operator_in_the_list_of_runs_alone(bench):
    (text,) = told(bench, "UPDATE runs SET operator = 'x' WHERE run_id = 'plate-2'")
    assert text.startswith("run plate-2: the list of runs tells another plate, step, operator")


def test_an_event_taken_out(bench):
    number = one(bench, "SELECT number FROM entries WHERE run_id = 'plate-1' AND "
                        "json_extract(body, '$.name') = 'in band'")  # fmt: skip
    problems = told(bench, f"DELETE FROM entries WHERE number = {number}")
    assert f'runs 0, events: "in band" (0123456789abcdef-{number}) is gone' in problems[0]
    assert problems[-1] == "1 entries of the journal are gone"


def one(bench, sql):
    with closing(sqlite3.connect(bench.places.journal)) as raw:
        return raw.execute(sql).fetchone()[0]


def test_an_event_taken_out_and_all_after_it_renumbered(bench):
    number = one(bench, "SELECT max(number) FROM entries WHERE run_id = 'plate-1' AND "
                        "kind = 'event'")  # fmt: skip
    problems = told(
        bench, f"DELETE FROM entries WHERE number = {number}",
        f"UPDATE entries SET number = number - 1 WHERE number > {number}",
        f"UPDATE runs SET number = number - 1 WHERE number > {number}",
        f"UPDATE ends SET number = number - 1 WHERE number > {number}",
    )  # fmt: skip
    assert any("plate plate-1" in text and "is gone" in text for text in problems)


def test_two_events_in_another_order(bench):
    a, b = one_pair(bench)
    problems = told(
        bench, f"UPDATE entries SET number = -1 WHERE number = {a}",
        f"UPDATE entries SET number = {a} WHERE number = {b}",
        f"UPDATE entries SET number = {b} WHERE number = -1",
    )  # fmt: skip
    assert any("plate plate-1" in text and "was changed" in text for text in problems)


def one_pair(bench):
    with closing(sqlite3.connect(bench.places.journal)) as raw:
        rows = raw.execute("SELECT number FROM entries WHERE run_id = 'plate-1' AND kind = 'event' "
                           "ORDER BY number LIMIT 2").fetchall()  # fmt: skip
    return [number for (number,) in rows]


def test_a_sample_and_a_whole_block_of_samples(bench):
    number = one(bench, "SELECT min(number) FROM entries WHERE kind = 'samples'")
    bench.seal()
    with JournalReader.open(bench.places.journal) as reader:
        body = reader.rows("SELECT body FROM blocks WHERE number = ?", number)[0][0]
        stored = decode(body)
        stored.block.values["dose_mj_cm2"][4] += 0.5
        bent = encode(stored.block, stored.first_sample)
    bench.tamper(f"UPDATE blocks SET body = x'{bent.hex()}' WHERE number = {number}")
    (text,) = bench.audit().problems
    assert text.endswith("was changed: data/samples/01-film.csv is not what was sealed")
    bench.tamper(f"DELETE FROM entries WHERE number = {number}")
    assert any("cannot be made again" in text for text in bench.audit().problems)


def test_a_plate_taken_out_and_one_put_in(bench):
    problems = told(
        bench, "DELETE FROM ends WHERE run_id = 'plate-1'",
        "DELETE FROM entries WHERE run_id = 'plate-1'", "DELETE FROM runs WHERE run_id = 'plate-1'",
    )  # fmt: skip
    assert any("plate plate-1" in t and "there is no run plate-1" in t for t in problems)
    bench.tamper("UPDATE entries SET run_id = 'plate-9' WHERE run_id = 'plate-2'",
                 "UPDATE runs SET run_id = 'plate-9' WHERE run_id = 'plate-2'",
                 "UPDATE ends SET run_id = 'plate-9' WHERE run_id = 'plate-2'")  # fmt: skip
    problems = bench.audit().problems
    assert "plate plate-9 was never sealed: it was put in later" in problems


def test_another_journal_in_its_place(bench):
    bench.seal()
    bench.tamper("UPDATE journal SET uuid = 'fedcba9876543210'")
    assert bench.audit().problems[-1] == (
        "4 sealed records are of journal 0123456789abcdef, not of this one"
    )


# --- whoever changes the log, too --------------------------------------------------------------


def test_a_leaf_changed_taken_out_or_put_at_another_place(bench):
    bench.seal()
    whole = bench.places.log.read_bytes()
    for statement in (
        "UPDATE leaves SET seal = replace(seal, 'plate-1', 'plate-7'), name = 'plate-7' "
        "WHERE place = 1",
        "DELETE FROM leaves WHERE place = 3",
        "UPDATE leaves SET place = CASE place WHEN 1 THEN -3 WHEN 3 THEN -1 ELSE place END",
        "UPDATE heads SET checkpoint = replace(checkpoint, '4', '5') WHERE size = 4",
        "UPDATE leaves SET manifest = replace(manifest, 'a', 'b') WHERE place = 1",
        "UPDATE leaves SET seal = replace(seal, '2031', '2019') WHERE place = 3",
    ):
        bench.tamper(statement, file=bench.places.log)
        if "CASE" in statement:
            bench.tamper("UPDATE leaves SET place = -place WHERE place < 0", file=bench.places.log)
        assert bench.audit().problems, statement
        bench.places.log.write_bytes(whole)
    assert bench.audit().problems == []


def test_all_made_anew_before_a_checkpoint_that_others_hold(bench):
    """Who has the key can seal whatever they like, but not what others hold the head of."""
    bench.seal()
    published = bench.head()
    bench.places.log.unlink()
    bench.tamper("UPDATE entries SET body = json_set(body, '$.operator', 'x') "
                 "WHERE run_id = 'plate-1' AND kind = 'start'",
                 "UPDATE runs SET operator = 'x' WHERE run_id = 'plate-1'")  # fmt: skip
    bench.seal()
    assert bench.audit().problems == []  # in itself it is whole
    (text,) = bench.audit(published).problems
    assert text.startswith("the checkpoint held elsewhere is of another log")
    origin, new = read_checkpoint(published).origin, read_checkpoint(bench.head()).origin
    # under the old name, signed anew with the stolen key
    with closing(Sealer(bench.places, bench.now)) as sealer:
        signer = sealer.signer
    bench.places.log.unlink()
    with SealLog.open(bench.places.log) as log:
        log.begin(Signer(origin, signer.key), UNIT)
    bench.seal()
    assert bench.audit().problems == []
    assert bench.audit(published).problems == [
        "a leaf among the first 4 was changed, inserted or removed: the checkpoint held elsewhere "
        "has another root"
    ]
    assert new != origin


def test_leaves_cut_off_after_a_checkpoint_was_published(bench):
    with closing(Sealer(bench.places, bench.now)) as sealer:
        sealer.round()
    before = bench.places.log.read_bytes()
    append_event(bench, DoseCorrected("run-2", 1.0, 2.0, 3.0, 0.5))
    bench.seal()
    published = bench.head()
    bench.places.log.write_bytes(before)
    assert bench.audit(published).problems == [
        "leaves are gone: the checkpoint held elsewhere is of 5, there are 4"
    ]


def test_a_swapped_key(bench):
    bench.seal()
    with SealLog.open(bench.places.log, read_only=True) as log:
        (mine,) = log.keys()
    bench.places.key.unlink()
    make_key(bench.places.key, mine.name)
    with pytest.raises(EvidenceError, match="is another key"):
        bench.seal()
    bench.places.log.unlink()
    bench.seal()
    (text,) = bench.audit(key=mine).problems
    assert "is signed by other keys" in text


# --- keys --------------------------------------------------------------------------------------


def test_a_key_takes_over_by_two_signatures(bench):
    bench.seal()
    with closing(Sealer(bench.places, bench.now)) as sealer:
        make_key(bench.places.next_key, sealer.signer.name)
        old = sealer.signer.verifier
        sealer.round()
        new = sealer.signer.verifier
    assert not bench.places.next_key.exists()
    assert new != old
    assert bench.head().signed_by([old, new]) == [old, new]
    append_event(bench, DoseCorrected("run-2", 1.0, 2.0, 3.0, 0.5))
    assert bench.seal() == 1
    assert bench.head().signed_by([old, new]) == [new]
    assert bench.audit(key=old).problems == bench.audit(key=new).problems == []


def test_a_key_takes_over_however_often_it_is_interrupted(bench):
    bench.seal()
    with closing(Sealer(bench.places, bench.now)) as sealer:
        following = make_key(bench.places.next_key, sealer.signer.name)
        sealer.log.rotate(sealer.signer, following)  # killed before the file was renamed
    assert bench.seal() == 0
    assert not bench.places.next_key.exists()
    with SealLog.open(bench.places.log, read_only=True) as log:
        assert len(log.keys()) == 2
    assert bench.audit().problems == []


def test_a_key_that_nobody_signed_for(bench):
    bench.seal()
    with closing(Sealer(bench.places, bench.now)) as sealer:
        stranger = make_key(bench.places.next_key, sealer.signer.name)
        with sealer.log._db.transaction():
            sealer.log._take(stranger)
            sealer.log._sign(stranger)
    problems = bench.audit().problems
    assert any("was never signed for by the key before it" in text for text in problems)


def test_a_lost_key_begins_another_log_and_seals_all_anew(bench):
    bench.seal()
    first = bench.head()
    bench.places.key.unlink()
    assert bench.seal() == 4
    assert bench.places.log.with_name("journal.seals.before-1").exists()
    assert read_checkpoint(bench.head()).origin != read_checkpoint(first).origin
    assert bench.audit().problems == []


def test_a_key_that_others_can_read_signs_nothing(bench):
    bench.seal()
    bench.places.key.chmod(0o644)
    with pytest.raises(EvidenceError, match="can be read by others"):
        bench.seal()


# --- killed ------------------------------------------------------------------------------------


def test_killed_at_any_write_it_goes_on_and_seals_each_record_once(bench, tmp_path):
    """At each statement that the sealer gives, once: nothing is there of what was not committed,
    and the next one begins there."""

    class Killed(BaseException):
        pass

    execute = Database.execute
    for kill_at in itertools.count(1):
        for file in tmp_path.glob("journal.seals*"):
            file.unlink()
        count = itertools.count(1)

        def dying(self, *args, at=kill_at, count=count):
            if next(count) == at:
                raise Killed
            return execute(self, *args)

        Database.execute = dying
        try:
            bench.seal()
            died = False
        except Killed:
            died = True
        finally:
            Database.execute = execute
        bench.seal()
        assert [kind for kind, _ in bench.kinds()] == ["events", "plate", "events", "plate"]
        assert bench.audit().problems == []
        if not died:
            break
    assert kill_at > 15


def test_the_seal_is_of_the_samples_and_not_of_their_blocks(bench):
    """The same samples in one block have the same sum."""
    bench.seal()
    film = one(bench, "SELECT run_id FROM runs WHERE plate = 'plate-1' AND step = 'film'")
    with JournalReader.open(bench.places.journal) as reader:
        whole = encode(reader.samples(film), 0)
        numbers = [n for (n,) in reader.rows(
            "SELECT number FROM entries WHERE run_id = ? AND kind = 'samples'", film
        )]  # fmt: skip
    assert len(numbers) == 3
    bench.tamper(f"UPDATE entries SET body = x'{whole.hex()}' WHERE number = {numbers[0]}",
                 f"DELETE FROM entries WHERE number > {numbers[0]} AND number <= {numbers[-1]} "
                 f"AND run_id = '{film}' AND kind = 'samples'")  # fmt: skip
    assert bench.audit().problems == ["2 entries of the journal are gone"]  # and no seal is broken
