"""The shop at the broker: what it sends is kept there, and what units say of it is heard."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from pydantic import ValidationError

from platelink.publish.broker import (
    QUOTA_EXCEEDED,
    REFUSED,
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    SubscriptionRefused,
    refusal,
)
from platelink.publish.links import link_to
from platelink.publish.messages import Took
from platelink.publish.topics import ROOT, check_name

ANSWER_S: Final = 15.0
"""How long the broker is waited for."""
HEAR_S: Final = 2.0
"""Retained texts come at once; so long is listened where nobody says how many there are."""
MOST_BYTES: Final = 100_000
"""Of what a unit says."""


class NoRightError(BrokerError):
    """The broker took nothing: this user may not write there."""


def send(settings: BrokerSettings, topic: str, data: bytes) -> None:
    """Have the broker keep it. ``NoRightError`` where it says that it does not; any other
    ``BrokerError``: it may have it or not."""
    link = _opened(settings)
    try:
        mid = link.publish(topic, data, retain=True)
        done = _heard(link, lambda e: isinstance(e, Acknowledged) and e.mid == mid)
        assert isinstance(done, Acknowledged)
        if done.code in (SERVER_UNAVAILABLE, QUOTA_EXCEEDED):
            raise BrokerError(f"the broker did not take {topic}: {refusal(done)}, then send again")
        if done.code >= REFUSED:
            raise NoRightError(
                f"the broker refused {topic} ({done.reason}): user {settings.username} may not "
                "write it; give it that right in the access list (docs/shop.md)"
            )
    finally:
        link.close()


def heard_of(settings: BrokerSettings, site: str, hear_s: float = HEAR_S) -> dict[str, Took | str]:
    """What the units of a site say they took and refused, by unit; a text: why it cannot be
    read."""
    topic = f"{ROOT}/{check_name('site', site)}/+/took"
    link = _opened(settings)
    found: dict[str, Took | str] = {}
    try:
        link.subscribe([topic])
        until = time.monotonic() + hear_s
        while (left := until - time.monotonic()) > 0.0:
            for event in link.poll(left):
                if isinstance(event, SubscriptionRefused):
                    raise NoRightError(f"the broker does not show what units took: {event.reason}")
                if isinstance(event, Received):
                    link.acknowledge(event)
                    _note(found, site, event)
    finally:
        link.close()
    return found


def _note(found: dict[str, Took | str], site: str, event: Received) -> None:
    """A text that cannot be read, or names another unit than its topic, says nothing of what holds
    there, which is not the same as a unit that took nothing."""
    unit = event.topic.split("/")[-2]
    if not event.payload:
        found.pop(unit, None)
        return
    try:
        took = Took.model_validate_json(event.payload[: MOST_BYTES + 1])
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))
        told = f"{where}: {first['msg']}" if where else first["msg"]
        found[unit] = f"what it says cannot be read here ({told:.100}): update platelink here"
        return
    if (took.site, took.unit) == (site, unit):
        found[unit] = took
    else:
        found[unit] = f"it says that it is {took.site:.64}/{took.unit:.64}"


def _opened(settings: BrokerSettings) -> BrokerLink:
    name = settings.username or "shop"
    link = link_to(replace(settings, session_expiry_s=0), client_id=f"platelink-shop-{name}")
    try:
        link.connect()
        _heard(link, lambda e: isinstance(e, Connected))
    except BaseException:
        link.close()
        raise
    return link


def _heard(link: BrokerLink, wanted: Callable[[LinkEvent], bool]) -> LinkEvent:
    until = time.monotonic() + ANSWER_S
    while (left := until - time.monotonic()) > 0.0:
        for event in link.poll(left):
            if isinstance(event, ConnectionLost):
                raise BrokerError(event.reason)
            if wanted(event):
                return event
    raise BrokerError(
        f"the broker did not answer within {ANSWER_S:g} s; try again, and look whether this user "
        "may do that there (docs/shop.md)"
    )
