"""What the stores hold, as plain JSON values. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from platelink.people.entries import Entry as PeopleEntry
from platelink.people.sign_in import Session
from platelink.people.state import Person
from platelink.recipe.diff import Change
from platelink.recipe.entries import Entry
from platelink.recipe.life import Revision
from platelink.recipe.model import Recipe
from platelink.recipe.supplies import Finding, LotNow, ScreenNow

Json = dict[str, Any]


def utc(moment: datetime) -> str:
    """A time as all answers have it."""
    return moment.isoformat(timespec="milliseconds")


def revision_view(revision: Revision) -> Json:
    """A revision without its content."""
    return {
        "recipe": revision.recipe,
        "revision": revision.number,
        "name": revision.name,
        "state": str(revision.state),
        "hash": revision.content_hash,
        "life": [
            {"state": str(s.state), "who": s.who, "why": s.why, "at_utc": utc(s.at_utc)}
            for s in revision.life
        ],
    }


def recipe_view(revision: Revision, content: Recipe) -> Json:
    """A revision in a list."""
    return revision_view(revision) | {"title": content.title, "stock": content.stock}


def changes_view(changes: Iterable[Change]) -> list[Json]:
    """What differs between two recipes."""
    return [{"step": c.step, "kind": c.kind, "text": c.text} for c in changes]


def findings_view(findings: Iterable[Finding]) -> list[Json]:
    """What stands against a lot or screen."""
    return [{"name": f.name, "blocks": f.blocks, "text": f.text} for f in findings]


def lot_view(now: LotNow, findings: Iterable[Finding]) -> Json:
    """A lot as it is now."""
    return now.lot.model_dump(mode="json") | {
        "opened_on": None if now.opened_on is None else now.opened_on.isoformat(),
        "area_left_cm2": now.area_left_cm2,
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_view(findings),
    }


def screen_view(now: ScreenNow, findings: Iterable[Finding]) -> Json:
    """A screen as it is now."""
    return now.screen.model_dump(mode="json") | {
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_view(findings),
    }


def history_view(entries: Sequence[Entry | PeopleEntry]) -> list[Json]:
    """Everything done to one thing, or about somebody."""
    return [entry._asdict() | {"at_utc": utc(entry.at_utc)} for entry in entries]


def person_view(person: Person, at_utc: datetime) -> Json:
    """A person, without anything secret."""
    until = person.locked_until(at_utc)
    return {
        "name": person.name,
        "role": str(person.role),
        "open": person.open,
        "added_utc": utc(person.added_utc),
        "signed_in_utc": None if person.signed_in_utc is None else utc(person.signed_in_utc),
        "locked_until_utc": None if until is None else utc(until),
    }


def session_view(session: Session) -> Json:
    """Who has signed in, for their own page."""
    return {
        "name": session.person.name,
        "role": str(session.person.role),
        "csrf": session.csrf,
        "until": utc(session.until_utc),
    }
