"""Topic names of the broker and what they may be made of. Pure.

platelink/v1/<site>/<unit>/run/<run_id>/start|channels|samples|event|end
platelink/v1/<site>/<unit>/event
platelink/v1/<site>/<unit>/status          retained, also the last will
platelink/v1/<site>/<unit>/checkpoint      retained: the head of the log of seals
platelink/v1/<site>/<unit>/cosign/<site>/<unit>    retained: what it asks another unit to cosign
platelink/v1/<site>/<unit>/cosigned/<site>/<unit>  retained: what it cosigned last of another unit
platelink/v1/<site>/<unit>/held/<recorder> retained, from each recorder
platelink/v1/<site>/<unit>/took            retained: what it took of the shop, what it refused
platelink/v1/<site>/_shop/<kind>           retained: a signed revision for all units of the site
platelink/v1/<site>/_shop/<kind>/<unit>    retained: one for this unit

All at QoS 1.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from platelink.runs import AnyEntry

ROOT: Final = "platelink/v1"
SHOP: Final = "_shop"
"""In the place of a unit; none can have this name."""
RUN_KINDS: Final = ("start", "channels", "samples", "event", "end")
# Narrower than MQTT allows: no wildcard, no space, nothing that a line of the store must escape.
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_RUN_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,127}")


class TopicError(ValueError):
    """A name that cannot be a level of a topic (the caller's fault)."""


def check_name(what: str, value: str) -> str:
    """``value`` if it may name a site or a unit: 1..64 letters, digits, '.', '_' or '-'."""
    if not _NAME.fullmatch(value):
        raise TopicError(
            f"{what} {value!r} cannot be used in a topic: 1 to 64 letters, digits, '.', '_' or "
            f"'-', beginning with a letter or digit; rename it in the configuration"
        )
    return value


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one unit of one site."""

    site: str
    unit: str

    def __post_init__(self) -> None:
        check_name("site", self.site)
        check_name("unit", self.unit)

    @property
    def base(self) -> str:
        return f"{ROOT}/{self.site}/{self.unit}"

    @property
    def status(self) -> str:
        return f"{self.base}/status"

    @property
    def checkpoint(self) -> str:
        """How the unit's log of seals stands, so that others hold it."""
        return f"{self.base}/checkpoint"

    def cosign(self, other: Topics) -> str:
        """Where this unit asks another one to cosign its checkpoint."""
        return f"{self.base}/cosign/{other.site}/{other.unit}"

    def cosigned(self, other: Topics) -> str:
        """Where this unit gives its cosignature of another one's checkpoint."""
        return f"{self.base}/cosigned/{other.site}/{other.unit}"

    @property
    def took(self) -> str:
        """What this unit took of the shop, and what it refused."""
        return f"{self.base}/took"

    def shop(self, kind: str) -> tuple[str, str]:
        """Where the shop sends this kind: to all units of the site, and to this one."""
        return shop_topic(self.site, kind), shop_topic(self.site, kind, self.unit)

    @property
    def held_by_any(self) -> str:
        """Filter of what recorders say they hold."""
        return f"{self.base}/held/+"

    def held(self, recorder: str) -> str:
        """Where a recorder says what it holds of this unit."""
        return f"{self.base}/held/{check_name('recorder', recorder)}"

    def of(self, entry: AnyEntry) -> str:
        """Topic of an entry; TopicError if its run id cannot be a level."""
        if entry.run_id is None:
            return f"{self.base}/{entry.kind}"
        if not _RUN_ID.fullmatch(entry.run_id):
            raise TopicError(f"run id {entry.run_id!r} cannot be used in a topic")
        return f"{self.base}/run/{entry.run_id}/{entry.kind}"


def shop_topic(site: str, kind: str, unit: str | None = None) -> str:
    """Where the shop sends this kind: to one unit, or to all of the site."""
    base = f"{ROOT}/{check_name('site', site)}/{SHOP}/{kind}"
    return base if unit is None else f"{base}/{check_name('unit', unit)}"


@dataclass(frozen=True, slots=True)
class Address:
    """What a topic says: whose message, of which run (None outside a run), of which kind."""

    site: str
    unit: str
    run_id: str | None
    kind: str


def parse(topic: str) -> Address | None:
    """The address in a topic of ours, else None."""
    if not topic.startswith(ROOT + "/"):
        return None
    match topic[len(ROOT) + 1 :].split("/"):
        case [site, unit, ("event" | "status") as kind]:
            address = Address(site, unit, None, kind)
        case [site, unit, "run", run_id, kind] if kind in RUN_KINDS and _RUN_ID.fullmatch(run_id):
            address = Address(site, unit, run_id, kind)
        case _:
            return None
    good = _NAME.fullmatch(address.site) and _NAME.fullmatch(address.unit)
    return address if good else None


def recorder_filters(group: str | None) -> tuple[str, ...]:
    """Subscriptions of a recorder. Members of a ``group`` share the stream between them; each
    still hears every start, because samples alone do not say which step they belong to."""
    stream = (f"{ROOT}/+/+/run/+/+", f"{ROOT}/+/+/event")
    if group is None:
        return stream
    check_name("recorder group", group)
    return (*(f"$share/{group}/{f}" for f in stream), f"{ROOT}/+/+/run/+/start")
