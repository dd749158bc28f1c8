"""The people of the section against the store of people, and against the languages there are."""

from __future__ import annotations

from collections.abc import Iterator

from platelink.config.alerts import AlertsSection
from platelink.config.model import Config
from platelink.ledger.errors import StoreError
from platelink.people import names
from platelink.people.store import People
from platelink.web.texts import read_languages


def entered(config: Config) -> dict[str, bool] | None:
    """Everybody in the store by the key of their name, and whether they are not closed; None where
    nobody was ever entered. ``StoreError`` when it cannot be read."""
    path = config.people_path()
    if not path.exists():
        return None
    with People.open(path, read_only=True) as store:
        return {names.key(one.name): one.open for one in store.log.people()} or None


def why_gone(entered: dict[str, bool] | None, person: str) -> str:
    """Why a person is not told; empty for somebody who is there, and where nobody is entered."""
    if entered is None:
        return ""
    found = entered.get(names.key(person))
    if found is None:
        return (
            "there is no such person at this unit; add them with 'platelink user add', or "
            "correct the name"
        )
    return "" if found else "this person is deactivated; remove them from [alerts]"


def people_faults(config: Config, section: AlertsSection) -> Iterator[tuple[str, str]]:
    """(key path, text) of who is not there, and of languages that are not."""
    languages = read_languages()
    try:
        known = entered(config)
    except StoreError as error:
        known = None
        yield "alerts.person", f"cannot be compared with the people of this unit: {error}"
    for i, person in enumerate(section.person):
        if why := why_gone(known, person.name):
            yield f"alerts.person[{i}].name", why
        if person.language not in languages:
            yield (
                f"alerts.person[{i}].language",
                f"there are no messages in it; choose one of {', '.join(languages)}",
            )
