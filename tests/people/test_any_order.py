"""Anything done by anybody in any order, held against a plain model; in simulated time."""

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    rule,
)

from people.make import LEAD, SECRET, at, by, opened
from platelink.contract.words import Role
from platelink.ledger.errors import StoreRefused
from platelink.people.errors import SignInRefused
from platelink.people.rules import SignInRules
from platelink.people.store import People

NAMES = (LEAD, "Bob Example", "Cleo Example", "Dora Example")
SECRETS = ("an invented secret", "another invention", "739201", "402817")
RULES = SignInRules()
IDLE_S = {Role.LEAD: 1800.0, Role.AUDITOR: 1800.0, Role.OPERATOR: 36000.0}
name_of = st.sampled_from(NAMES)
secret_of = st.sampled_from(SECRETS)


@dataclass
class Known:
    """What the model knows of a person."""

    role: Role
    secret: str
    open: bool = True
    wrong: int = 0
    locked_until: float = 0.0


@dataclass
class Ticket:
    """What the model knows of a session."""

    name: str
    begun: float
    used: float
    dead: bool = field(default=False)


class AnyOrder(RuleBasedStateMachine):
    tokens = Bundle("tokens")

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.store = self.opened()
        self.store.add_first(LEAD, SECRET[LEAD], by())
        self.now = 0.0
        self.known = {LEAD: Known(Role.LEAD, SECRET[LEAD])}
        self.tickets: dict[str, Ticket] = {}
        self.signed_in = 0

    def opened(self) -> People:
        return opened(Path(self.folder.name) / "people.sqlite")

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.store.close()
            self.folder.cleanup()

    def open_leads(self, without: str = "") -> int:
        return sum(k.open and k.role is Role.LEAD for n, k in self.known.items() if n != without)

    def tried(self, allowed: bool, act) -> bool:
        """The store does what the model allows and refuses everything else."""
        try:
            act()
        except StoreRefused:
            assert not allowed
            return False
        assert allowed
        return True

    def end_sessions(self, name: str) -> None:
        for ticket in self.tickets.values():
            ticket.dead |= ticket.name == name

    def by(self):
        return by("why", seconds=self.now)

    @rule(seconds=st.sampled_from([1.0, 29.0, 30.0, 100.0, 900.0, 1799.0, 1800.0, 30000.0]))
    def wait(self, seconds: float) -> None:
        self.now += seconds

    @rule()
    def restart(self) -> None:
        self.store.close()
        self.store = self.opened()

    @rule(name=name_of, role=st.sampled_from(Role), secret=secret_of)
    def add(self, name: str, role: Role, secret: str) -> None:
        if self.tried(
            name not in self.known, lambda: self.store.add(name, role, secret, self.by())
        ):
            self.known[name] = Known(role, secret)

    @rule(name=name_of, secret=secret_of)
    def add_first(self, name: str, secret: str) -> None:
        assert not self.tried(False, lambda: self.store.add_first(name, secret, self.by()))

    @rule(name=name_of, role=st.sampled_from(Role))
    def change_role(self, name: str, role: Role) -> None:
        known = self.known.get(name)
        allowed = (
            known is not None
            and known.role is not role
            and (role is Role.LEAD or self.open_leads(without=name) > 0)
        )
        for ticket in self.tickets.values():
            self.look(ticket)
        if self.tried(allowed, lambda: self.store.change_role(name, role, self.by())):
            assert known is not None
            known.role = role

    @rule(name=name_of, secret=secret_of)
    def change_secret(self, name: str, secret: str) -> None:
        known = self.known.get(name)
        act = lambda: self.store.change_secret(name, secret, self.by())  # noqa: E731
        if self.tried(known is not None, act):
            assert known is not None
            known.secret, known.wrong, known.locked_until = secret, 0, 0.0
            self.end_sessions(name)

    @rule(name=name_of)
    def close(self, name: str) -> None:
        known = self.known.get(name)
        allowed = known is not None and known.open and self.open_leads(without=name) > 0
        if self.tried(allowed, lambda: self.store.close_person(name, self.by())):
            assert known is not None
            known.open = False
            self.end_sessions(name)

    @rule(name=name_of)
    def open_again(self, name: str) -> None:
        known = self.known.get(name)
        allowed = known is not None and not known.open
        if self.tried(allowed, lambda: self.store.open_person(name, self.by())):
            assert known is not None
            known.open = True

    @rule(name=name_of)
    def unlock(self, name: str) -> None:
        known = self.known.get(name)
        allowed = known is not None and known.wrong > 0
        if self.tried(allowed, lambda: self.store.unlock(name, self.by())):
            assert known is not None
            known.wrong, known.locked_until = 0, 0.0

    @rule(target=tokens, name=name_of, secret=secret_of)
    def sign_in(self, name: str, secret: str) -> str:
        return self.sign_in_or_not(name, secret)

    @rule(target=tokens, name=name_of)
    def sign_in_with_the_right_secret(self, name: str) -> str:
        known = self.known.get(name)
        return self.sign_in_or_not(name, known.secret if known else SECRETS[0])

    @rule(name=name_of)
    def guess(self, name: str) -> None:
        for _ in range(5):
            self.sign_in_or_not(name, "never a secret")

    def sign_in_or_not(self, name: str, secret: str) -> str:
        known = self.known.get(name)
        locked = known is not None and self.now < known.locked_until
        allowed = known is not None and known.open and not locked and known.secret == secret
        try:
            token, session, _ = self.store.sign_ins.sign_in(name, secret, at(self.now))
        except SignInRefused as error:
            assert not allowed
            if known is None:
                return "no token"
            if not locked:
                known.wrong += 1
                if known.wrong >= 5:
                    known.locked_until = self.now + min(30.0 * 2 ** (known.wrong - 5), 900.0)
            until = None if self.now >= known.locked_until else at(known.locked_until)
            assert error.locked_until_utc == until
            return "no token"
        assert allowed and known is not None
        assert session.person.role is known.role
        known.wrong, known.locked_until = 0, 0.0
        self.signed_in += 1
        self.tickets[token] = Ticket(name, self.now, self.now)
        return token

    def look(self, ticket: Ticket) -> bool | None:
        """Whether the session lasts; None when its use may have been put down or not."""
        idle_s = IDLE_S[self.known[ticket.name].role]
        idle = self.now - ticket.used
        ticket.dead |= self.now - ticket.begun >= 36000.0 or idle >= idle_s
        if ticket.dead:
            return False
        return None if idle >= idle_s - RULES.note_use_s else True

    @rule(token=tokens)
    def use(self, token: str) -> None:
        session = self.store.sign_ins.session(token, at(self.now))
        ticket = self.tickets.get(token)
        if ticket is None:
            assert session is None
            return
        expected = self.look(ticket)
        assert expected is None or expected is (session is not None)
        if session is None:
            ticket.dead = True
            return
        ticket.used = self.now
        assert session.person.name == ticket.name
        assert session.person.role is self.known[ticket.name].role

    @rule(token=consumes(tokens))
    def sign_out(self, token: str) -> None:
        self.store.sign_ins.sign_out(token, at(self.now))
        assert self.store.sign_ins.session(token, at(self.now)) is None
        if token in self.tickets:
            self.tickets[token].dead = True

    @invariant()
    def the_store_says_what_the_model_does(self) -> None:
        if not hasattr(self, "store"):
            return
        assert self.open_leads() >= 1
        people = {p.name: p for p in self.store.log.people()}
        assert people.keys() == self.known.keys()
        for name, known in self.known.items():
            person = people[name]
            assert (person.role, person.open, person.tries.wrong) == (
                known.role, known.open, known.wrong,
            )  # fmt: skip
            locked = None if self.now >= known.locked_until else at(known.locked_until)
            assert person.locked_until(at(self.now)) == locked

    @invariant()
    def entries_have_no_holes(self) -> None:
        if hasattr(self, "store"):
            numbers = [entry.number for entry in self.store.log.history()]
            assert numbers == list(range(1, len(numbers) + 1))


AnyOrder.TestCase.settings = settings(max_examples=25, stateful_step_count=30, deadline=None)
test_any_order = AnyOrder.TestCase
