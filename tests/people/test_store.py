"""Who is there, what they are, and that nothing contradicts what is recorded."""

import os
import sqlite3
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from people.make import AUDITOR, LEAD, OPERATOR, SECRET, T0, at, by, opened
from platelink.contract.words import Role
from platelink.ledger.by import By
from platelink.ledger.errors import StoreError, StoreRefused, StoreUnusable
from platelink.people.entries import Act
from platelink.people.errors import NoSuchPerson, NotUsable, SignInRefused
from platelink.people.store import People


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "people.sqlite"


@pytest.fixture
def people(path: Path) -> Iterator[People]:
    with opened(path) as store:
        store.add_first(LEAD, SECRET[LEAD], by(who="root"))
        store.add(OPERATOR, Role.OPERATOR, SECRET[OPERATOR], by())
        yield store


# --- adding --------------------------------------------------------------------------------


def test_the_first_is_a_lead_and_there_is_one_first(path: Path) -> None:
    with opened(path) as store:
        assert not store.anybody()
        with pytest.raises(StoreRefused, match="add the first lead"):
            store.add(OPERATOR, Role.OPERATOR, SECRET[OPERATOR], by())
        first = store.add_first(LEAD, SECRET[LEAD], by(who="root"))
        assert (first.name, first.role, first.open, first.added_utc) == (LEAD, Role.LEAD, True, T0)
        assert store.anybody()
        with pytest.raises(StoreRefused, match="a lead signs in and adds others"):
            store.add_first(OPERATOR, SECRET[OPERATOR], by())
        assert [p.name for p in store.log.people()] == [LEAD]


def test_a_name_is_shown_as_typed_and_given_once(people: People) -> None:
    people.add("Zoë Ångström", Role.AUDITOR, "long invention", by())
    assert people.log.person("zoe\u0308 A\u030angström").name == "Zoë Ångström"
    with pytest.raises(StoreRefused, match="a person 'Zoë Ångström' already; give another name"):
        people.add("ZOË ÅNGSTRÖM", Role.AUDITOR, "long invention", by())
    people.close_person("Zoë Ångström", by("left"))
    with pytest.raises(StoreRefused, match="reactivate them"):
        people.add("Zoë Ångström", Role.AUDITOR, "long invention", by())
    with pytest.raises(NoSuchPerson, match="there is no person 'Nobody'; there are: Anna Example"):
        people.log.person("Nobody")


def test_what_may_not_be_given_leaves_nothing_behind(people: People) -> None:
    before = people.log.history()
    for name, secret in ((" Dan", "a good secret"), ("Dan", "123456"), ("Dan", "short")):
        with pytest.raises(NotUsable):
            people.add(name, Role.OPERATOR, secret, by())
    with pytest.raises(NotUsable, match="cannot be used: it counts up or down"):
        people.change_secret(OPERATOR, "654321", by())
    with pytest.raises(StoreRefused, match="say who does it: added: Dan"):
        people.add("Dan", Role.OPERATOR, "a good secret", By(" ", T0))
    with pytest.raises(ValueError, match="time zone"):
        people.add("Dan", Role.OPERATOR, "a good secret", By(LEAD, datetime(2026, 3, 2)))  # noqa: DTZ001
    assert people.log.history() == before


# --- changing ------------------------------------------------------------------------------


def test_a_lead_who_forgot_regains_a_secret_with_a_reason(people: People) -> None:
    with pytest.raises(StoreRefused, match="say why Anna Example gets a new PIN or password"):
        people.regain(LEAD, "a new invention", by(who="root"))
    with pytest.raises(StoreRefused, match="a lead sets new secrets"):
        people.regain(OPERATOR, "a new invention", by("forgot it", who="root"))
    people.change_role(OPERATOR, Role.LEAD, by("second lead"))
    people.close_person(OPERATOR, by("left"))
    with pytest.raises(StoreRefused, match="not an active lead"):
        people.regain(OPERATOR, "a new invention", by("forgot it", who="root"))
    people.regain(LEAD, "a new invention", by("forgot it", who="root"))
    entry = people.log.history(LEAD)[-1]
    assert (entry.act, entry.who, entry.why) == (Act.SECRET_CHANGED, "root", "forgot it")
    assert people.sign_ins.sign_in(LEAD, "a new invention", T0).session.person.name == LEAD


def test_everything_is_on_record_with_who_when_and_why(people: People) -> None:
    people.change_role(OPERATOR, Role.AUDITOR, by("new work", seconds=1))
    people.change_secret(OPERATOR, "a new invention", by("forgotten", seconds=2))
    people.close_person(OPERATOR, by("left", seconds=3))
    people.open_person(OPERATOR, by("is back", seconds=4))
    token = people.sign_ins.sign_in(OPERATOR, "a new invention", at(5)).token
    people.sign_ins.sign_out(token, at(6))
    with pytest.raises(SignInRefused):
        people.sign_ins.sign_in(OPERATOR, "wrong", at(7))
    people.unlock(OPERATOR, by("saw it", seconds=8))
    told = [(e.act, e.at_utc, e.who, e.why, e.body) for e in people.log.history(OPERATOR.upper())]
    assert told == [
        (Act.ADDED, at(0), LEAD, "", {"role": "operator"}),
        (Act.ROLE_CHANGED, at(1), LEAD, "new work", {"role": "auditor", "before": "operator"}),
        (Act.SECRET_CHANGED, at(2), LEAD, "forgotten", {"signed_out": 0}),
        (Act.CLOSED, at(3), LEAD, "left", {"signed_out": 0}),
        (Act.OPENED, at(4), LEAD, "is back", {}),
        (Act.SIGNED_IN, at(5), OPERATOR, "", {}),
        (Act.SIGNED_OUT, at(6), OPERATOR, "", {}),
        (Act.REFUSED, at(7), "not known", "", {"wrong": 1}),
        (Act.UNLOCKED, at(8), LEAD, "saw it", {}),
    ]
    assert [e.number for e in people.log.history()] == list(range(1, 11))
    assert people.log.entries.after(8) == people.log.history()[8:]
    assert people.log.entries.after(2, 3) == people.log.history()[2:5]


def test_what_needs_a_reason_says_so(people: People) -> None:
    for act in (
        lambda: people.change_role(OPERATOR, Role.AUDITOR, by(" ")),
        lambda: people.close_person(OPERATOR, by()),
        lambda: people.open_person(OPERATOR, by()),
    ):
        with pytest.raises(StoreRefused, match="say why Bob Example"):
            act()


def test_what_is_so_already_is_refused(people: People) -> None:
    with pytest.raises(StoreRefused, match="has the role operator already"):
        people.change_role(OPERATOR, Role.OPERATOR, by("why"))
    with pytest.raises(StoreRefused, match="is not deactivated"):
        people.open_person(OPERATOR, by("why"))
    with pytest.raises(StoreRefused, match="not locked"):
        people.unlock(OPERATOR, by())
    people.close_person(OPERATOR, by("left"))
    with pytest.raises(StoreRefused, match="already deactivated"):
        people.close_person(OPERATOR, by("left"))


def test_an_open_lead_is_always_left(people: People) -> None:
    with pytest.raises(StoreRefused, match="Anna Example is the only active lead; make another"):
        people.close_person(LEAD, by("leaves"))
    with pytest.raises(StoreRefused, match="only active lead"):
        people.change_role(LEAD, Role.AUDITOR, by("audits"))
    people.change_role(OPERATOR, Role.LEAD, by("learned"))
    people.close_person(LEAD, by("leaves"))
    with pytest.raises(StoreRefused, match="Bob Example is the only active lead"):
        people.close_person(OPERATOR, by("leaves"))
    assert [(p.name, p.role, p.open) for p in people.log.people()] == [
        (LEAD, Role.LEAD, False),
        (OPERATOR, Role.LEAD, True),
    ]


# --- the file ------------------------------------------------------------------------------


def test_only_its_owner_reads_the_file_and_no_secret_is_in_it(people: People, path: Path) -> None:
    people.change_secret(OPERATOR, "a new invention", by())
    with pytest.raises(SignInRefused):
        people.sign_ins.sign_in("typed here by mistake", "wrong", at())
    signed = people.sign_ins.sign_in(OPERATOR, "a new invention", at(1))
    assert path.stat().st_mode & 0o777 == 0o600
    people.close()
    content = path.read_bytes()
    for text in (*SECRET.values(), "a new invention", signed.token, "typed here by mistake"):
        assert text.encode() not in content
    # what was replaced is overwritten: one hash for each of the two
    assert content.count(b"$argon2id$v=") == 2


def test_reading_needs_no_right_to_write(people: People, path: Path) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    people.close()
    before = path.read_bytes()
    os.chmod(path, 0o400)
    with People.open(path, read_only=True) as reader:
        assert [p.name for p in reader.log.people()] == [LEAD, OPERATOR]
        assert len(reader.log.history()) == 3
        assert reader.sign_ins.session(token, at(3600)) is not None
        with pytest.raises(StoreUnusable, match="cannot be written"):
            reader.close_person(OPERATOR, by("left"))
    assert path.read_bytes() == before


def test_what_is_no_store_of_people_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreUnusable, match="does not exist: no users yet"):
        People.open(tmp_path / "none.sqlite", read_only=True)
    with pytest.raises(StoreUnusable, match="check that its directory exists"):
        opened(tmp_path / "none/people.sqlite")
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as raw:
        raw.execute("CREATE TABLE t (x)")
    raw.close()
    with pytest.raises(StoreUnusable, match="is not a store of people; name another path"):
        opened(other)


def test_the_file_itself_refuses_to_forget(people: People, path: Path) -> None:
    people.close()
    raw = sqlite3.connect(path, isolation_level=None)
    for sql in (
        "UPDATE entries SET who = 'x'",
        "DELETE FROM entries",
        "REPLACE INTO entries SELECT * FROM entries WHERE number = 1",
        "INSERT INTO entries SELECT 9, key, name, act, at_ms, who, why, body FROM entries LIMIT 1",
        "INSERT INTO entries SELECT 3, key, name, act, at_ms, who, why, body FROM entries LIMIT 1",
        "REPLACE INTO entries SELECT 3, key, name, act, at_ms, who, why, body FROM entries LIMIT 1",
        "UPDATE hashes SET hash = '739201'",
    ):
        with pytest.raises(sqlite3.IntegrityError):
            raw.execute(sql)
    raw.close()


def test_two_programs_see_what_the_other_did(people: People, path: Path) -> None:
    with opened(path) as other:
        token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
        other.add(AUDITOR, Role.AUDITOR, SECRET[AUDITOR], by())
        assert people.log.person(AUDITOR).role is Role.AUDITOR
        other.close_person(OPERATOR, by("left", seconds=1))
        assert people.sign_ins.session(token, at(2)) is None
        with pytest.raises(StoreError):
            people.close_person(LEAD, by("left"))
