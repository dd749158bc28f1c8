"""Settings of alerts: who is to hear what when, and by which way."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from datetime import date, time
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, SecretStr, model_validator

from platelink.config.services import SecretFileError, secret_of
from platelink.control.alarm.unit import UNIT_ALARMS
from platelink.forms.keys import LISTED, Line, PlainName, Seconds, Section, key, table
from platelink.forms.paths import PathKey

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
_LANGUAGE = re.compile(r"[a-z]{2}")
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def _clock(text: str) -> str:
    if not _TIME.fullmatch(text):
        raise ValueError('must be a time of day such as "06:30"')
    return text


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (OSError, ValueError, LookupError):
        raise ValueError(
            'must be a time zone such as "Europe/Berlin" that this computer knows; if the name is '
            "right, install the package tzdata"
        ) from None
    return name


def _span(text: str) -> str:
    span_of(text)
    return text


def span_of(text: str) -> tuple[date, date]:
    """First and last day of ``2026-12-24`` or ``2026-12-24 to 2027-01-02``."""
    first, _, last = text.partition(" to ")
    try:
        found = date.fromisoformat(first), date.fromisoformat(last or first)
    except ValueError:
        raise ValueError(
            'must be a day, or two days: "2026-12-24" or "2026-12-24 to 2027-01-02"'
        ) from None
    if found[1] < found[0]:
        raise ValueError("the last day lies before the first; exchange them")
    return found


def _language(code: str) -> str:
    if not _LANGUAGE.fullmatch(code):
        raise ValueError('must be a language\'s two letters, such as "de"')
    return code


def _variable(name: str) -> str:
    if not _VARIABLE.fullmatch(name):
        raise ValueError("must be the name of an environment variable")
    return name


Clock = Annotated[str, AfterValidator(_clock)]


class WaySection(Section):
    """One way by which a person is reached."""

    name: PlainName = key("What the way is called.", example="mail")
    address: SecretStr | None = key(
        "Where to, as a URL of the library Apprise; it holds passwords, so address_file or "
        "address_env keep it out of this file.",
        None,
        sample="ntfys://push.example/plates-ruth",
    )
    address_file: PathKey | None = key(
        "File whose only line is the address.", None, example="/etc/platelink/mail-ruth"
    )
    address_env: Annotated[str, AfterValidator(_variable)] | None = key(
        "Environment variable that holds the address.", None, sample="PLATELINK_MAIL_RUTH"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = [self.address, self.address_file, self.address_env]
        if sum(one is not None for one in given) != 1:
            raise ValueError("address: give one of address, address_file and address_env")
        return self

    def secret(self) -> str:
        """The address; ``SecretFileError`` when it cannot be read."""
        if self.address_env is not None:
            found = os.environ.get(self.address_env, "").strip()
            if not found:
                raise SecretFileError(
                    f"environment variable {self.address_env} is not set; set it for this process "
                    "(systemd: EnvironmentFile=), or use address_file"
                )
            return found
        return secret_of(self.address, self.address_file) or ""


class PersonSection(Section):
    """A person who is notified."""

    name: Line = key("Their name, as in the store of people.", example="Ruth Example")
    language: Annotated[str, AfterValidator(_language)] = key("Of their messages.", "en")
    over: bool = key("Notify them, too, when an alarm they were notified of is over.", False)
    summary: bool = key("They get the daily summary.", True)
    leave: Annotated[tuple[Annotated[str, AfterValidator(_span)], ...], LISTED] = key(
        "Days on which they are not on duty, whatever the shifts say: single days, or first and "
        "last. A shift belongs to the day on which it begins.",
        (),
        sample=("2026-12-24 to 2027-01-02",),
    )
    way: Annotated[tuple[WaySection, ...], LISTED] = table(
        "One way by which this person is reached; every message goes by all of them.", ()
    )


class ShiftSection(Section):
    """Who is on duty when."""

    name: PlainName = key("What the shift is called.", example="early")
    people: Annotated[tuple[Line, ...], LISTED] = key(
        "Who is on duty; at least one.", example=("Ruth Example",), min_length=1
    )
    days: Annotated[tuple[Day, ...], LISTED] = key(
        "Days of the week on which it begins.", DAYS, min_length=1
    )
    begins: Clock = key("When it begins, by the clock on the shop's wall.", "00:00")
    ends: Clock = key("When it ends; on the next day where that is not after begins.", "00:00")
    priority: Literal["high", "medium", "low"] = key(
        "Notify of alarms of this priority and higher.", "high"
    )
    delay_s: Seconds = key(
        "How long an alarm must have been active, unacknowledged, before it is sent. One that "
        "is over, "
        "acknowledged or shelved by then is not.",
        60.0,
        unit="s",
        ge=0.0,
        le=86400.0,
    )

    def times(self) -> tuple[time, time]:
        """When it begins and ends."""
        return time.fromisoformat(self.begins), time.fromisoformat(self.ends)


class AlertsSection(Section):
    """Alarms that reach people elsewhere. They replace no person at the unit."""

    path: PathKey | None = key(
        "File of what was sent and what waits. Left out: alerts.sqlite beside the journal.",
        None,
        sample="/var/lib/platelink/alerts.sqlite",
    )
    page: str | None = key(
        "Address of the page, for links in messages. Left out: messages have none.",
        None,
        sample="https://plates.example:8460",
        pattern=r"^https?://[^/\s?#@]+(/[^\s?#]*)?$",
    )
    time_zone: Annotated[str, AfterValidator(_zone)] = key(
        "Time zone of the shop, which shifts and messages are in.", example="Europe/Berlin"
    )
    gather_s: Seconds = key(
        "How long a message waits for further alarms that go with it.",
        10.0, unit="s", ge=0.0, le=600.0,
    )  # fmt: skip
    pause_s: Seconds = key(
        "An alarm that comes again so soon after a person was notified of it waits until then, and "
        "all its repeats make one message; so does a flood.",
        600.0, unit="s", ge=0.0, le=86400.0,
    )  # fmt: skip
    summary_at: Clock | None = key(
        "When the daily summary is sent. Left out: never.", None, sample="06:00"
    )
    stale_days: int = key(
        "So many days without a message that went out, and `platelink doctor` asks for a test.",
        7, unit="days", ge=1, le=366,
    )  # fmt: skip
    person: Annotated[tuple[PersonSection, ...], LISTED] = table("A person who is notified.", ())
    shift: Annotated[tuple[ShiftSection, ...], LISTED] = table(
        "Who is on duty when, and hears what. A person may be in several: a lead with a long "
        "delay hears only what nobody answered.",
        (),
    )


def alerts_faults(alerts: AlertsSection) -> Iterator[tuple[str, str]]:
    """(key path, text) of what names something that is not there."""
    names = [person.name for person in alerts.person]
    yield from _twice("alerts.person", names)
    for i, person in enumerate(alerts.person):
        yield from _twice(f"alerts.person[{i}].way", [way.name for way in person.way])
    yield from _twice("alerts.shift", [shift.name for shift in alerts.shift])
    measured = {definition.priority.name.lower() for definition in UNIT_ALARMS}
    for i, shift in enumerate(alerts.shift):
        for name in shift.people:
            if name not in names:
                yield (
                    f"alerts.shift[{i}].people",
                    f"there is no [[alerts.person]] '{name}'; add one, or correct the name",
                )
        if shift.priority not in measured:
            yield f"alerts.shift[{i}].priority", "no alarm has this priority; choose another"


def _twice(path: str, names: list[str]) -> Iterator[tuple[str, str]]:
    for i, name in enumerate(names):
        if name in names[:i]:
            yield f"{path}[{i}].name", f"'{name}' is there twice; each name is given once"


def alerts_notices(alerts: AlertsSection) -> Iterator[tuple[str, str]]:
    """(key path, text) of who is in the section and yet hears nothing."""
    on_duty = {name for shift in alerts.shift for name in shift.people}
    for i, person in enumerate(alerts.person):
        if not person.way:
            yield (
                f"alerts.person[{i}].way",
                f"{person.name} has no way to be reached; add [[alerts.person.way]]",
            )
        elif person.name not in on_duty:
            yield f"alerts.person[{i}]", f"{person.name} is in no shift and hears of no alarm"
