"""A test message to one person, and what came of it."""

from __future__ import annotations

import time
from typing import NamedTuple

from platelink.alerts.sending import send_now
from platelink.alerts.setup import section_of, settings_of, way_sections
from platelink.config.model import Config
from platelink.config.services import SecretFileError
from platelink.ledger.errors import StoreRefused


class Tried(NamedTuple):
    """What came of a test by one way; ``problem`` is empty when the service took it."""

    way: str
    took_s: float
    problem: str


def test_message(config: Config, person: str) -> list[Tried]:
    """Send it by every way of a person of the section; ``StoreRefused`` for somebody who is none,
    or has no way."""
    settings = settings_of(config)
    writer = settings.writers.get(person)
    if writer is None:
        there = ", ".join(settings.writers) or "nobody yet"
        raise StoreRefused(f"there is no [[alerts.person]] '{person}'; there are: {there}")
    if not settings.ways[person]:
        raise StoreRefused(f"{person} has no way to be reached; add [[alerts.person.way]]")
    message = writer.test(time.time_ns() // 1_000_000)
    found = []
    for way, section in way_sections(section_of(config)).items():
        if way.person == person:
            began = time.monotonic()
            try:
                problem = send_now(section.secret(), message)
            except SecretFileError as error:
                problem = str(error)
            found.append(Tried(way.name, time.monotonic() - began, problem))
    return found
