"""What the stores hold, in the models of the contract. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from platelink.contract import recipes, stock
from platelink.contract.base import Finding, Noted
from platelink.contract.people import Person, PersonNoted
from platelink.people.entries import Entry as PeopleEntry
from platelink.people.state import Person as PersonNow
from platelink.recipe.diff import Change
from platelink.recipe.entries import Entry
from platelink.recipe.life import Revision
from platelink.recipe.model import Recipe
from platelink.recipe.supplies import (
    STORE_LIMITS,
    Expired,
    FilmNow,
    LotNow,
    ScreenNow,
    film_findings,
    lot_findings,
    screen_findings,
)
from platelink.recipe.supplies import Finding as Found


def utc(moment: datetime) -> str:
    """A time as all answers have it."""
    return moment.isoformat(timespec="milliseconds")


def utc_if_any(moment: datetime | None) -> str | None:
    """The same of a time that may not be."""
    return None if moment is None else utc(moment)


def revision_view(revision: Revision) -> recipes.Revision:
    """A revision without its content."""
    return recipes.Revision(
        recipe=revision.recipe,
        revision=revision.number,
        name=revision.name,
        state=revision.state.value,
        hash=revision.content_hash,
        life=[
            recipes.Signed(state=str(s.state), who=s.who, why=s.why, at_utc=utc(s.at_utc))
            for s in revision.life
        ],
    )


def recipe_view(revision: Revision, content: Recipe) -> recipes.RecipeListed:
    """A revision in a list."""
    return recipes.RecipeListed(
        **dict(revision_view(revision)), title=content.title, stock=content.stock
    )


def changes_view(changes: Iterable[Change]) -> list[recipes.Change]:
    """What differs between two recipes."""
    return [recipes.Change(step=c.step, kind=c.kind, text=c.text) for c in changes]


def findings_view(findings: Iterable[Found]) -> list[Finding]:
    """What stands against a lot or screen."""
    return [Finding(name=f.name, blocks=f.blocks, text=f.text) for f in findings]


def lot_view(now: LotNow, *, today: date, expired: Expired) -> stock.Lot:
    """A lot as it is now, and what stands against it today."""
    lot = now.lot
    findings = lot_findings(now, stock=None, area_cm2=0.0, today=today, expired=expired)
    return stock.Lot(
        name=lot.name,
        stock=lot.stock,
        received_on=lot.received_on.isoformat(),
        best_before=None if lot.best_before is None else lot.best_before.isoformat(),
        area_cm2=lot.area_cm2,
        max_days_open=lot.max_days_open,
        **{name: getattr(lot, name) for name in STORE_LIMITS},
        note=lot.note,
        opened_on=None if now.opened_on is None else now.opened_on.isoformat(),
        days_open=None if now.opened_on is None else (today - now.opened_on).days,
        store=[stock.StoreRead(**one._asdict() | {"at_utc": utc(one.at_utc)}) for one in now.store],
        area_left_cm2=now.area_left_cm2,
        uses=now.uses,
        closed=now.closed,
        findings=findings_view(findings),
    )


def screen_view(now: ScreenNow) -> stock.Screen:
    """A screen as it is now, and warnings."""
    findings = screen_findings(now, wanted=None)
    return stock.Screen(
        **dict(now.screen), uses=now.uses, closed=now.closed, findings=findings_view(findings)
    )


def film_view(now: FilmNow, *, today: date, least_density: float | None) -> stock.Film:
    """A film as it is now, and what stands against it today."""
    findings = film_findings(now, least_density=least_density, today=today)
    values = dict(now.film) | {"made_on": now.film.made_on.isoformat()}
    return stock.Film(**values, uses=now.uses, closed=now.closed, findings=findings_view(findings))


def history_view(entries: Iterable[Entry]) -> list[Noted]:
    """Everything done to one thing."""
    return [Noted(**entry._asdict() | {"at_utc": utc(entry.at_utc)}) for entry in entries]


def people_history_view(entries: Iterable[PeopleEntry]) -> list[PersonNoted]:
    """Everything done about people."""
    return [PersonNoted(**entry._asdict() | {"at_utc": utc(entry.at_utc)}) for entry in entries]


def person_view(person: PersonNow, at_utc: datetime) -> Person:
    """A person, without anything secret."""
    return Person(
        name=person.name,
        role=person.role,
        open=person.open,
        added_utc=utc(person.added_utc),
        signed_in_utc=utc_if_any(person.signed_in_utc),
        locked_until_utc=utc_if_any(person.locked_until(at_utc)),
    )
