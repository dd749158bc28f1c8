"""Events of who was let in, who was not, what was damaged and what was removed. Data only."""

from __future__ import annotations

from platelink.events.event import Event, EventName, if_known


class PeopleEntered(Event, name=EventName.PEOPLE_ENTERED):
    """The store of people has its first lead. From then on nobody acts as a lead without signing
    in, even if the store is lost."""

    who: str


class Security(Event, name=EventName.SECURITY):
    """A sign-in, a refusal, a request from elsewhere, or a changed configuration. Repeated
    refusals are one event a minute, with their number."""

    what: str
    who: str | None = if_known(default=None)
    address: str | None = if_known(default=None)
    times: int = 1


class SentByShop(Event, name=EventName.SENT_BY_SHOP):
    """Recipes, people or calibrations from the one place that sends them were taken, or refused:
    the text says which, and why. What is refused again and again is one event a minute."""

    taken: bool
    kind: str | None = if_known(default=None)
    """``recipes``, ``people`` or ``calibrations``, where the shop's signature holds."""
    revision: int | None = if_known(default=None)
    key: str | None = if_known(default=None)
    """The key that signed it."""


class JournalBegunAnew(Event, name=EventName.JOURNAL_BEGUN_ANEW):
    """The previous journal was damaged and has been kept aside as it is. In a run: what was
    recorded before is in that one."""

    aside: str
    journal: str | None = if_known(default=None)
    """The id of that journal."""
    entries: int | None = if_known(default=None)


class SamplesRemoved(Event, name=EventName.SAMPLES_REMOVED):
    """By the retention of the configuration. Everything else of the record stays, and so does its
    seal. They are removed once this is sealed itself."""

    of_run: str
    """The plate, or the exposure without one."""
    runs: tuple[str, ...]
    """The runs whose samples these were."""
    samples: int
    days: int
    """The rule: samples are kept for so long."""
    manifest_sha256: str
    """What the record was sealed as, samples and all."""
    backup_utc: str
    """When the newest backup was made that has them."""


OF_SECURITY: tuple[type[Event], ...] = (
    PeopleEntered, Security, SentByShop, JournalBegunAnew, SamplesRemoved,
)  # fmt: skip
