"""Events of who was let in, who was not, and what was damaged. Data only."""

from __future__ import annotations

from platelink.events.event import Event, EventName, if_known


class PeopleEntered(Event, name=EventName.PEOPLE_ENTERED):
    """The store of people has its first lead. From now on nobody is a lead without signing in, not
    even where the store is lost."""

    who: str


class Security(Event, name=EventName.SECURITY):
    """Somebody signed in, was refused, or came from elsewhere; or the configuration is another one.
    What is refused again and again is one event a minute, with how many there were."""

    what: str
    who: str | None = if_known(default=None)
    address: str | None = if_known(default=None)
    times: int = 1


class JournalBegunAnew(Event, name=EventName.JOURNAL_BEGUN_ANEW):
    """The journal before this one was damaged while or before it was written, and lies aside as it
    is. In a run: what it recorded until here is in that one."""

    aside: str
    journal: str | None = if_known(default=None)
    """The id of that journal."""
    entries: int | None = if_known(default=None)


OF_SECURITY: tuple[type[Event], ...] = (PeopleEntered, Security, JournalBegunAnew)
