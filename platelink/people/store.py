"""The store of people: who they are, what they are to the unit, and how they sign in.

An append-only file beside the journal. Everything is an entry with who, when and, where one is
owed, why. At least one open lead is always left. Times come from the caller.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Self

from platelink.contract.words import Role
from platelink.ledger.by import By
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreRefused
from platelink.ledger.store import Store
from platelink.people import names
from platelink.people import secret as secret_rules
from platelink.people.entries import Act
from platelink.people.errors import NotUsable
from platelink.people.hashing import Hashing
from platelink.people.log import PeopleLog
from platelink.people.proof import Proofs
from platelink.people.rules import SignInRules
from platelink.people.schema import PEOPLE
from platelink.people.sign_in import SignIns
from platelink.people.state import Person, leads_left


class People(Store):
    """Who is added and changed, beside the ``log`` of everything and the ``sign_ins``."""

    def __init__(self, database: Database, rules: SignInRules, hashing: Hashing) -> None:
        super().__init__(database)
        self._hashing = hashing
        self.log = PeopleLog(database)
        self._proofs = Proofs(self.log, rules, hashing)
        self.sign_ins = SignIns(self.log, self._proofs, rules)

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        rules: SignInRules | None = None,
        hashing: Hashing | None = None,
    ) -> Self:
        """Open the file; without ``read_only`` it is made where there is none. ``hashing`` stands
        for other parameters than today's."""
        database = Database(Path(path), PEOPLE, read_only=read_only, any_thread=True)
        hashing = hashing or Hashing()
        if not read_only:
            _ = hashing.nobodys  # made now: the first unknown name must not take longer
        return cls(database, rules or SignInRules(), hashing)

    @classmethod
    def of(cls, database: Database) -> Self:
        """The people in a file that is open already."""
        return cls(database, SignInRules(), Hashing())

    def close(self) -> None:
        """Close the file."""
        with self.log.lock:
            self._db.close()

    def anybody(self) -> bool:
        """True from the first lead on."""
        return bool(self.log.people())

    def add_first(self, name: str, secret: str, by: By) -> Person:
        """The first lead; refused once anybody was added."""
        return self._add(name, Role.LEAD, secret, by, first=True)

    def add(self, name: str, role: Role, secret: str, by: By) -> Person:
        """Somebody else; refused before the first lead."""
        return self._add(name, role, secret, by, first=False)

    def change_role(self, name: str, role: Role, by: By) -> Person:
        """Another role, with the reason; it holds for sessions that are open, too."""
        with self.log.writing():
            key, person = self.log.find(name)
            _owe_reason(by, f"{person.name} gets another role")
            if person.role is role:
                raise StoreRefused(f"{person.name} has the role {role} already")
            if role is not Role.LEAD:
                self._keep_a_lead(key)
            self.sign_ins.forget_ended(by.at_utc)  # or the new role's longer time would wake them
            body = {"role": str(role), "before": str(person.role)}
            self.log.enter(person.name, Act.ROLE_CHANGED, by, body)
        return self.log.person(name)

    def change_secret(self, name: str, secret: str, by: By) -> Person:
        """Another PIN or password; ends the person's sessions and their lock."""
        person = self.log.person(name)
        new_hash = self._new_hash(secret, person.name)
        with self.log.writing():
            self._replace_secret(self.log.find(name)[0], person, new_hash, by)
        return self.log.person(name)

    def regain(self, name: str, secret: str, by: By) -> Person:
        """The same for a lead who forgot theirs, by the owner of the file, with the reason: where
        no other lead is left to do it."""
        person = self.log.person(name)
        _owe_reason(by, f"{person.name} gets a new PIN or password")
        if person.role is not Role.LEAD or not person.open:
            raise StoreRefused(
                f"{person.name} is not an active lead; a lead sets new secrets and "
                "reactivates people: platelink user secret, platelink user reactivate"
            )
        return self.change_secret(name, secret, by)

    def change_own_secret(self, name: str, old: str, new: str, at_utc: datetime) -> Person:
        """The same by the person, who proves the old one; ``SignInRefused`` as at a sign-in."""
        new_hash = self._new_hash(new, name)
        self._proofs.proved(
            name,
            old,
            at_utc,
            lambda key, person: self._replace_secret(
                key, person, new_hash, By(person.name, at_utc)
            ),
        )
        return self.log.person(name)

    def close_person(self, name: str, by: By) -> Person:
        """The person has left, with the reason: their sessions end and they cannot sign in."""
        with self.log.writing():
            key, person = self.log.find(name)
            _owe_reason(by, f"{person.name} is deactivated")
            if not person.open:
                raise StoreRefused(f"{person.name} is already deactivated")
            self._keep_a_lead(key)
            self.log.enter(person.name, Act.CLOSED, by, {"signed_out": self.sign_ins.end_all(key)})
        return self.log.person(name)

    def open_person(self, name: str, by: By) -> Person:
        """The person is back, with the reason: role and secret are what they were."""
        with self.log.writing():
            _, person = self.log.find(name)
            _owe_reason(by, f"{person.name} is reactivated")
            if person.open:
                raise StoreRefused(f"{person.name} is not deactivated")
            self.log.enter(person.name, Act.OPENED, by, {})
        return self.log.person(name)

    def unlock(self, name: str, by: By) -> Person:
        """End a person's lock; wrong secrets are counted from none again."""
        with self.log.writing():
            _, person = self.log.find(name)
            if not person.tries.wrong:
                raise StoreRefused(f"{person.name} is not locked, and no wrong secret was given")
            self.log.enter(person.name, Act.UNLOCKED, by, {})
        return self.log.person(name)

    def _add(self, name: str, role: Role, secret: str, by: By, *, first: bool) -> Person:
        fault = names.fault(name)
        if fault is not None:
            raise NotUsable(fault)
        self._refuse_to_add(name, first=first)  # before the long work, and again after it
        new_hash = self._new_hash(secret, name)
        with self.log.writing():
            self._refuse_to_add(name, first=first)
            number = self.log.enter(name, Act.ADDED, by, {"role": str(role)})
            self.log.set_hash(names.key(name), new_hash, number)
        return self.log.person(name)

    def _refuse_to_add(self, name: str, *, first: bool) -> None:
        with self.log.reading():
            if first and self.log.by_key:
                raise StoreRefused("this unit has users already; a lead signs in and adds others")
            if not first and not self.log.by_key:
                raise StoreRefused("no users yet; add the first lead: platelink user first NAME")
            person = self.log.by_key.get(names.key(name))
            if person is not None:
                then = (
                    "give another name" if person.open else "they are deactivated: reactivate them"
                )
                raise StoreRefused(f"there is a person '{person.name}' already; {then}")

    def _new_hash(self, secret: str, name: str) -> str:
        fault = secret_rules.fault(secret, name)
        if fault is not None:
            raise NotUsable(f"this PIN or password cannot be used: {fault}")
        return self._hashing.make(secret)

    def _replace_secret(self, key: str, person: Person, new_hash: str, by: By) -> None:
        body = {"signed_out": self.sign_ins.end_all(key)}
        self.sign_ins.forget_screens(key)
        number = self.log.enter(person.name, Act.SECRET_CHANGED, by, body)
        self.log.set_hash(key, new_hash, number)

    def _keep_a_lead(self, key: str) -> None:
        """Somebody must be left who can add people and unlock them."""
        if not leads_left(self.log.by_key, key):
            name = self.log.by_key[key].name
            raise StoreRefused(f"{name} is the only active lead; make another person a lead first")


def _owe_reason(by: By, what: str) -> None:
    if not by.why.strip():
        raise StoreRefused(f"say why {what}")
