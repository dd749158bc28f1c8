"""The thread that takes what the shop sends, or refuses it: the control loop never waits for it.

It hears the broker's retained texts by way of the publisher, and sees what ``platelink shop take``
took of a file. What it writes are the same stores that people write by way of the service.
"""

from __future__ import annotations

import json
import time
from collections import deque
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from platelink.config.model import Config
from platelink.daemon.calibrated import settings_of, unfit
from platelink.daemon.worker import Worker
from platelink.distribution.decide import Place
from platelink.distribution.model import KINDS
from platelink.distribution.shop import read_people_key
from platelink.distribution.taken import State, TakenFile, taken_path
from platelink.distribution.unit import Acceptor, Settings
from platelink.distribution.wrong import NotTaken
from platelink.events.event import Event, EventName
from platelink.events.security import PeopleEntered, SentByShop
from platelink.evidence.keys import Verifier
from platelink.publish.messages import Took, TookRefusal, TookRevision
from platelink.publish.texts import RetainedTexts
from platelink.publish.topics import Topics
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader
from platelink.sensing.calibration import Calibration

ROUND_S: Final = 1.0
"""How often it looks, real seconds."""
AGAIN_S: Final = 60.0
"""What is refused is tried again: a store may have been locked, a clock wrong."""


def acceptor_of(config: Config, now_utc: Callable[[], datetime]) -> Acceptor:
    """What takes and refuses for the unit of a configuration."""
    shop = config.shop
    settings = Settings(
        place=Place(config.unit.site, config.unit.name),
        keys=() if shop is None else tuple(map(Verifier.of_text, shop.keys)),
        people_key=lambda: read_people_key(None if shop is None else shop.people_key_file),
        recipes=config.recipes_path(),
        people=config.people_path(),
        calibrations=config.calibrations_path(),
        fits=lambda calibration: unfit(config, calibration) or _unnamed(config, calibration),
    )
    return Acceptor(settings, TakenFile(taken_path(config.journal.path)), now_utc)


def _unnamed(config: Config, by: Calibration) -> str:
    """Where the unit knows which sensor it has, a calibration from elsewhere must name it."""
    serial = settings_of(config, by.sensor).get("serial")
    if serial is None or by.settings.get("serial") == serial:
        return ""
    return (
        f"it does not name the sensor it was made with, and {by.sensor} here is {serial}: enter "
        "its serial number where it is calibrated, and calibrate again"
    )


def taking_of(config: Config, texts: RetainedTexts) -> Taking | None:
    """For a configuration; None where the shop's key is not in it."""
    if config.shop is None or not config.shop.keys:
        return None
    topics = Topics(config.unit.site, config.unit.name)
    acceptor, journal = acceptor_of(config, lambda: datetime.now(UTC)), config.journal.path
    file = TakenFile(taken_path(journal))
    return Taking(acceptor, file, topics, texts, knows_people=lambda: _knows_people(journal))


def _knows_people(journal: Path) -> bool:
    """Does the record say that the unit has people?"""
    try:
        with JournalReader.open(journal) as reader:
            return reader.newest_unit_event(EventName.PEOPLE_ENTERED) is not None
    except JournalError:
        return False  # said once more


class Taking(Worker):
    """``texts``: the publisher's, before it is started. ``events`` and ``calibrated`` are for the
    loop's thread."""

    def __init__(
        self, acceptor: Acceptor, file: TakenFile, topics: Topics, texts: RetainedTexts, *,
        knows_people: Callable[[], bool], clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        super().__init__("taker")
        self._acceptor, self._file, self._topics, self._texts = acceptor, file, topics, texts
        self._knows_people, self._clock = knows_people, clock
        self._listen = tuple(topic for kind in KINDS for topic in topics.shop(kind))
        texts.listen += self._listen
        self._again: dict[str, tuple[float, bytes]] = {}
        """What was refused, and when it is tried again."""
        self._handed = self._written = 0
        """Numbers of the last note that was given to the loop, and that the loop has put down."""
        self._events: deque[tuple[Event, str]] = deque()
        try:
            self._calibrations = _calibrations_in(file.load())
        except NotTaken:
            self._calibrations = None
        self._new = False
        self.fault = ""
        """Why something of the shop is not taken at present; empty while all is."""

    # --- the loop's thread -----------------------------------------------------------------

    def events(self) -> Iterator[tuple[Event, str]]:
        """What is to be put on record; each once."""
        while self._events:
            yield self._events.popleft()

    def calibrated(self) -> bool:
        """True once after calibrations were taken."""
        new, self._new = self._new, False
        return new

    # --- its own -----------------------------------------------------------------------------

    def round(self) -> None:
        """Look at what came, at what a person took, and tell others how it stands."""
        now = self._clock()
        due = {topic: data for topic, (at, data) in self._again.items() if at <= now}
        for topic, data in {**due, **self._texts.taken(self._listen)}.items():
            outcome = self._acceptor.take(topic, data)
            self._again.pop(topic, None)
            if not outcome.taken:
                self._again[topic] = now + AGAIN_S, data
        self._tell()

    def _tell(self) -> None:
        state = self._file.load()
        told = [one for one in state.notes if one.number > self._handed]
        if not self._events and self._handed > self._written:
            self._written = self._handed
        elif state.notes and state.notes[0].number <= self._written:
            self._forget()
        for one in told:
            self._events.append((SentByShop(one.taken, one.kind, one.revision, one.key), one.text))
            if one.taken and one.kind == "people" and not self._knows_people():
                self._events.append((PeopleEntered("shop"), "the shop's people were taken"))
        self._handed = max(self._handed, state.noted)
        calibrations = _calibrations_in(state)
        self._new = self._new or calibrations != self._calibrations
        self._calibrations = calibrations
        self.fault = "; ".join(state.refusals())
        took = Took(
            site=self._topics.site,
            unit=self._topics.unit,
            taken={
                kind: TookRevision(revision=one.revision, key=one.key, at_utc=one.at_utc)
                for kind, one in state.taken.items()
            },
            refused=tuple(
                TookRefusal(since_utc=one.since_utc, text=one.text)
                for one in state.refused.values() if one.text
            ),
        )  # fmt: skip
        self._texts.retain(self._topics.took, json.dumps(took.model_dump(mode="json")))

    def _forget(self) -> None:
        """What is on record is not told at the next start."""
        with self._file.locked():
            state = self._file.load()
            left = tuple(one for one in state.notes if one.number > self._written)
            self._file.save(state.model_copy(update={"notes": left}))

    def _run(self) -> None:
        """The thread never ends by an error: it says so and goes on."""
        while not self._end.wait(ROUND_S):
            try:
                self.round()
            except (NotTaken, OSError) as error:
                self.fault = f"what the shop sends is not taken: {error}"
            except Exception as error:  # a fault of ours: the unit is led on
                self.fault = f"what the shop sends is not taken: {error!r}"


def _calibrations_in(state: State) -> str | None:
    """Which revision of calibrations was taken last."""
    taken = state.taken.get("calibrations")
    return None if taken is None else taken.sha256
