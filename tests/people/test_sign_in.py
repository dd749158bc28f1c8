"""Signing in and out, lock-out and sessions; all in simulated time."""

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from people.make import AUDITOR, LEAD, OPERATOR, SECRET, Counting, at, by, opened
from platelink.contract.words import Role
from platelink.ledger.errors import StoreUnavailable
from platelink.people import proof
from platelink.people.entries import Act
from platelink.people.errors import NotUsable, SignInRefused
from platelink.people.rules import SignInRules
from platelink.people.store import People

NOBODY = "Nobody Example"
WRONG = "a wrong secret"
HOUR = 3600.0


@pytest.fixture
def hasher() -> Counting:
    return Counting()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "people.sqlite"


@pytest.fixture
def people(path: Path, hasher: Counting) -> Iterator[People]:
    with opened(path, hasher=hasher) as store:
        store.add_first(LEAD, SECRET[LEAD], by(who="root"))
        store.add(OPERATOR, Role.OPERATOR, SECRET[OPERATOR], by())
        store.add(AUDITOR, Role.AUDITOR, SECRET[AUDITOR], by())
        yield store


def refused(people: People, name: str, secret: str, seconds: float) -> SignInRefused:
    with pytest.raises(SignInRefused) as caught:
        people.sign_ins.sign_in(name, secret, at(seconds))
    return caught.value


# --- the answer ----------------------------------------------------------------------------


def test_pin_and_password_sign_in_under_the_name_in_any_case(people: People) -> None:
    for name, secret, role in (
        ("ANNA example", SECRET[LEAD], Role.LEAD),
        (OPERATOR, "７３９２０１", Role.OPERATOR),  # wide digits of another keyboard
        (AUDITOR, SECRET[AUDITOR], Role.AUDITOR),
    ):
        token, session, _ = people.sign_ins.sign_in(name, secret, at(5))
        assert session.person.role is role
        assert session.person == people.log.person(name)
        assert session.person.signed_in_utc == at(5)
        assert people.sign_ins.session(token, at(6)) == session


def test_tokens_are_long_and_never_the_same(people: People) -> None:
    signed = [people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(i)) for i in range(20)]
    texts = {s.token for s in signed} | {s.session.csrf for s in signed}
    assert len(texts) == 40
    assert {len(text) for text in texts} == {43}  # 256 bit in base64


@pytest.mark.parametrize("closed", [False, True])
def test_whatever_is_wrong_the_answer_and_the_work_are_the_same(
    people: People, hasher: Counting, path: Path, closed: bool
) -> None:
    if closed:
        people.close_person(OPERATOR, by("left"))
    told = []
    for name in (OPERATOR, NOBODY, "\ud800", "x" * 100_000):
        for i in range(7):
            verified, made, writes = hasher.verified, hasher.made, changes(path)
            secret = SECRET[OPERATOR] if closed else WRONG
            error = refused(people, name, secret, i)
            work = (hasher.verified - verified, hasher.made - made, changes(path) - writes)
            told.append((str(error), error.locked_until_utc, work))
    assert told[:7] == told[7:14] == told[14:21] == told[21:]
    assert [work for _, _, work in told[:7]] == [(1, 0, 1)] * 5 + [(0, 0, 0)] * 2
    assert told[0][0] == (
        "the name or the PIN or password is wrong; try again, or ask a lead for a new PIN or "
        "password"
    )
    assert told[5][:2] == (
        "too many wrong tries with this name; wait until 07:00:34 UTC, or ask a lead",
        at(34),
    )


def changes(path: Path) -> int:
    """SOURCE: SQLite's file format, 1.3.6: the counter at offset 24 is raised by each commit."""
    return int.from_bytes(path.read_bytes()[24:28], "big")


def test_a_right_secret_is_verified_once_too(people: People, hasher: Counting) -> None:
    verified, made = hasher.verified, hasher.made
    people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at())
    assert (hasher.verified - verified, hasher.made - made) == (1, 0)


def test_opening_prepares_for_unknown_names(people: People, path: Path) -> None:
    people.close()
    fresh = Counting()
    with opened(path, hasher=fresh) as again:
        made = fresh.made
        refused(again, NOBODY, WRONG, 0)
        assert (fresh.made, fresh.verified) == (made, 1)


def test_names_that_nobody_has_do_not_fill_the_file(people: People) -> None:
    for i in range(100):
        refused(people, f"{NOBODY} {i}", WRONG, i)
    entered = [e for e in people.log.history() if e.act is Act.REFUSED]
    assert [(e.name, e.who, e.at_utc, e.body) for e in entered] == [
        ("", "not known", at(0), {"tries": 1}),
        ("", "not known", at(60), {"tries": 60}),
    ]
    assert len(people.log.people()) == 3


def test_so_many_names_are_counted_and_no_more(
    people: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proof, "STRANGERS", 3)
    for i in range(5):
        refused(people, NOBODY, WRONG, i)
    assert refused(people, NOBODY, WRONG, 6).locked_until_utc
    for i in range(3):
        refused(people, f"{NOBODY} {i}", WRONG, 7)
    assert refused(people, NOBODY, WRONG, 8).locked_until_utc is None


# --- lock-out ------------------------------------------------------------------------------


def test_locks_double_up_to_their_longest(people: People) -> None:
    now, lengths = 0.0, []
    for _ in range(14):
        until = refused(people, OPERATOR, WRONG, now).locked_until_utc
        if until is None:
            now += 1.0
            continue
        length = (until - at(now)).total_seconds()
        lengths.append(length)
        just_before = refused(people, OPERATOR, SECRET[OPERATOR], now + length - 0.001)
        assert just_before.locked_until_utc == until
        now += length
    assert lengths == [30, 60, 120, 240, 480, 900, 900, 900, 900, 900]
    person = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(now)).session.person
    assert person.tries.wrong == 0
    assert [refused(people, OPERATOR, WRONG, now + i).locked_until_utc for i in range(4)] == (
        [None] * 4
    )


def test_a_right_secret_begins_the_count_anew(people: People) -> None:
    for i in range(50):
        if i % 5 == 4:
            people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(i))
        else:
            assert refused(people, OPERATOR, WRONG, i).locked_until_utc is None


def lock(people: People) -> None:
    for i in range(5):
        refused(people, OPERATOR, WRONG, i)


def test_a_lead_unlocks(people: People) -> None:
    lock(people)
    assert people.log.person(OPERATOR).locked_until(at(5)) == at(34)
    assert [(e.who, e.body) for e in people.log.history(OPERATOR) if e.act is Act.LOCKED] == [
        ("platelink", {"lock_s": 30.0})
    ]
    assert people.unlock(OPERATOR, by(seconds=6)).locked_until(at(6)) is None
    people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(7))


def test_a_new_secret_unlocks_too(people: People) -> None:
    lock(people)
    people.change_secret(OPERATOR, "a new invention", by(seconds=5))
    people.sign_ins.sign_in(OPERATOR, "a new invention", at(6))


def test_a_lock_leaves_others_and_open_sessions_alone(people: People) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    lock(people)
    assert people.sign_ins.session(token, at(6)) is not None
    people.sign_ins.sign_in(AUDITOR, SECRET[AUDITOR], at(6))


def test_a_lock_outlives_the_process(people: People, path: Path) -> None:
    lock(people)
    people.close()
    with opened(path) as again:
        assert refused(again, OPERATOR, SECRET[OPERATOR], 33.9).locked_until_utc == at(34)
        again.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(34))


def test_a_clock_set_back_shuts_nobody_out_for_long(people: People) -> None:
    lock(people)
    assert refused(people, OPERATOR, SECRET[OPERATOR], -10).locked_until_utc == at(34)
    people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(-26))


def test_other_rules(path: Path) -> None:
    rules = SignInRules(wrong_before_lock=1, lock_first_s=7.0, lock_longest_s=10.0)
    with opened(path, rules=rules) as store:
        store.add_first(LEAD, SECRET[LEAD], by(who="root"))
        assert refused(store, LEAD, WRONG, 0).locked_until_utc == at(7)
        assert refused(store, LEAD, WRONG, 7).locked_until_utc == at(17)
    assert SignInRules().lock_s(10**9) == 900.0


class Meanwhile(Counting):
    """Does something once while a secret is being checked."""

    act: Callable[[], object] | None = None

    def verify(self, hash: str | bytes, password: str | bytes) -> bool:
        act, self.act = self.act, None
        if act is not None:
            act()
        return super().verify(hash, password)


@pytest.mark.parametrize("hasher", [Meanwhile()])
def test_tries_at_the_same_time_are_judged_one_after_the_other(
    people: People, hasher: Meanwhile
) -> None:
    hasher.act = lambda: lock(people)
    assert refused(people, OPERATOR, SECRET[OPERATOR], 5).locked_until_utc == at(34)


@pytest.mark.parametrize("hasher", [Meanwhile()])
def test_what_changed_while_a_secret_was_checked_counts(people: People, hasher: Meanwhile) -> None:
    hasher.act = lambda: people.change_secret(OPERATOR, "a new invention", by())
    refused(people, OPERATOR, SECRET[OPERATOR], 1)
    hasher.act = lambda: people.close_person(OPERATOR, by("left"))
    refused(people, OPERATOR, "a new invention", 2)


# --- hashing anew --------------------------------------------------------------------------


def test_a_hash_grows_with_the_parameters_at_the_next_sign_in(people: People, path: Path) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    people.close()
    entries = len(people_hashes(path))
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    before = people_hashes(path)
    with opened(path, hasher=stronger) as again:
        refused(again, OPERATOR, WRONG, 1)
        assert people_hashes(path) == before
        again.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(2))
        after = people_hashes(path)
        assert "m=16,t=2" in after.pop("bob example") and len(before) == entries == 3
        before.pop("bob example")
        assert after == before
        assert again.sign_ins.session(token, at(3)) is not None  # the secret is the same
        again.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(4))


def people_hashes(path: Path) -> dict[str, str]:
    raw = sqlite3.connect(path)
    rows = dict(raw.execute("SELECT key, hash FROM hashes"))
    raw.close()
    return rows


# --- sessions ------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "idle_s"), [(LEAD, 1800), (AUDITOR, 1800), (OPERATOR, 36000)])
def test_a_session_unused_ends(people: People, name: str, idle_s: float) -> None:
    token, session, _ = people.sign_ins.sign_in(name, SECRET[name], at())
    assert session.until_utc == at(idle_s)
    assert people.sign_ins.session(token, at(idle_s - 0.001), used=False) is not None
    assert people.sign_ins.session(token, at(idle_s), used=False) is None


def test_a_session_in_use_goes_on_to_its_end(people: People) -> None:
    token = people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token
    for minutes in range(25, 600, 25):
        session = people.sign_ins.session(token, at(60 * minutes))
        assert session is not None
        assert session.until_utc == min(at(60 * minutes + 1800), at(10 * HOUR))
    assert people.sign_ins.session(token, at(10 * HOUR - 0.001)) is not None
    assert people.sign_ins.session(token, at(10 * HOUR)) is None


def test_looking_does_not_put_off_the_end(people: People) -> None:
    token = people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token
    for minutes in range(30):
        assert people.sign_ins.session(token, at(60 * minutes), used=False) is not None
    assert people.sign_ins.session(token, at(1800), used=False) is None


def test_use_is_written_once_a_minute_and_is_no_entry(people: People, path: Path) -> None:
    token = people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token
    entries, writes = len(people.log.history()), changes(path)
    for tenths in range(3000):
        assert people.sign_ins.session(token, at(tenths / 10)) is not None
    assert changes(path) - writes == 4
    assert len(people.log.history()) == entries


def test_a_disk_that_takes_no_more_does_not_sign_anybody_out(
    people: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token

    def full(*_: object) -> None:
        raise StoreUnavailable("no space left")

    monkeypatch.setattr(people._db, "execute", full)
    assert people.sign_ins.session(token, at(1799)) is not None
    assert people.sign_ins.session(token, at(1800)) is None
    monkeypatch.undo()


def test_signing_out_ends_this_session_only(people: People) -> None:
    one, two = (people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token for _ in range(2))
    assert people.sign_ins.sign_out(one, at(1))
    assert people.sign_ins.session(one, at(1)) is None
    assert not people.sign_ins.sign_out(one, at(2))
    assert people.sign_ins.session(two, at(2)) is not None
    assert [e.act for e in people.log.history(LEAD)].count(Act.SIGNED_OUT) == 1


@pytest.mark.parametrize("token", ["", "x", "\ud800", "a" * 100_000])
def test_a_token_of_nobody_is_worth_nothing(people: People, token: str) -> None:
    assert people.sign_ins.session(token, at()) is None
    assert not people.sign_ins.sign_out(token, at())


def test_the_hash_of_a_token_is_no_token(people: People, path: Path) -> None:
    people.sign_ins.sign_in(LEAD, SECRET[LEAD], at())
    raw = sqlite3.connect(path)
    ((stored,),) = raw.execute("SELECT token_hash FROM sign_ins")
    raw.close()
    assert people.sign_ins.session(stored, at()) is None


def test_the_csrf_token_is_the_sessions_own(people: People) -> None:
    one, two = (people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).session for _ in range(2))
    assert one.csrf_is(one.csrf)
    for other in (two.csrf, "", None, one.csrf[:-1], "é", "\ud800"):
        assert not one.csrf_is(other)


def test_another_role_holds_at_once_in_open_sessions(people: People) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    people.change_role(OPERATOR, Role.LEAD, by("learned", seconds=HOUR / 4))
    session = people.sign_ins.session(token, at(HOUR / 4))
    assert session is not None and session.person.role is Role.LEAD
    assert session.until_utc == at(HOUR / 4 + 1800)  # a lead's time, from now on


def test_another_role_wakes_no_session_that_ended(people: People) -> None:
    token = people.sign_ins.sign_in(AUDITOR, SECRET[AUDITOR], at()).token
    people.change_role(AUDITOR, Role.OPERATOR, by("works", seconds=HOUR))
    assert people.sign_ins.session(token, at(HOUR)) is None


def test_a_new_secret_ends_all_sessions(people: People) -> None:
    tokens = [people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token for _ in range(3)]
    people.change_secret(OPERATOR, "a new invention", by(seconds=1))
    assert [people.sign_ins.session(token, at(1)) for token in tokens] == [None] * 3
    assert people.log.history(OPERATOR)[-1].body == {"signed_out": 3}
    refused(people, OPERATOR, SECRET[OPERATOR], 2)
    people.sign_ins.sign_in(OPERATOR, "a new invention", at(3))


def test_a_closed_person_is_out_at_once_and_stays_out(people: People) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    people.close_person(OPERATOR, by("left", seconds=1))
    assert people.sign_ins.session(token, at(1)) is None
    refused(people, OPERATOR, SECRET[OPERATOR], 2)
    people.open_person(OPERATOR, by("is back", seconds=3))
    assert people.sign_ins.session(token, at(3)) is None
    people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(4))


def test_sessions_outlive_the_process(people: People, path: Path) -> None:
    token, session, _ = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at())
    people.close()
    with opened(path) as again:
        assert again.sign_ins.session(token, at(HOUR), used=False) == session


def test_sessions_that_ended_are_forgotten(people: People, path: Path) -> None:
    for hours in range(0, 100, 11):
        people.sign_ins.sign_in(LEAD, SECRET[LEAD], at(HOUR * hours))
    raw = sqlite3.connect(path)
    assert raw.execute("SELECT count(*) FROM sign_ins").fetchone() == (1,)
    raw.close()


def test_a_clock_set_back_far_ends_sessions(people: People) -> None:
    token = people.sign_ins.sign_in(LEAD, SECRET[LEAD], at()).token
    assert people.sign_ins.session(token, at(-60), used=False) is not None
    assert people.sign_ins.session(token, at(-1800), used=False) is None


# --- the own secret ------------------------------------------------------------------------


def test_the_own_secret_is_changed_with_the_old_one(people: People) -> None:
    token = people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at()).token
    people.change_own_secret(OPERATOR, SECRET[OPERATOR], "a new invention", at(1))
    assert people.sign_ins.session(token, at(1)) is None
    last = people.log.history(OPERATOR)[-1]
    assert (last.act, last.who, last.at_utc) == (Act.SECRET_CHANGED, OPERATOR, at(1))
    people.sign_ins.sign_in(OPERATOR, "a new invention", at(2))


def test_a_wrong_old_secret_counts_as_at_a_sign_in(people: People) -> None:
    for i in range(5):
        with pytest.raises(SignInRefused):
            people.change_own_secret(OPERATOR, WRONG, "a new invention", at(i))
    assert refused(people, OPERATOR, SECRET[OPERATOR], 5).locked_until_utc == at(34)
    with pytest.raises(NotUsable):
        people.change_own_secret(OPERATOR, SECRET[OPERATOR], "123456", at(40))
    people.sign_ins.sign_in(OPERATOR, SECRET[OPERATOR], at(41))
