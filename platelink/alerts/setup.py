"""From a configuration to what the teller and the process are told."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from zoneinfo import ZoneInfo

from babel import Locale

from platelink.alerts.duty import RANK, Roster, Shift
from platelink.alerts.outbox import Pace, Way
from platelink.alerts.say import Say
from platelink.alerts.teller import AlertSettings
from platelink.alerts.wording import Writer
from platelink.config.alerts import (
    DAYS,
    AlertsSection,
    PersonSection,
    ShiftSection,
    WaySection,
    span_of,
)
from platelink.config.model import Config
from platelink.web.texts import DEFAULT, Language, read_languages


class NoAlertsError(Exception):
    """The configuration has no section for it; the text says what to do."""


def section_of(config: Config) -> AlertsSection:
    """The section of alerts; ``NoAlertsError`` where there is none."""
    if config.alerts is None:
        raise NoAlertsError(
            "the configuration has no [alerts]; nobody is notified of alarms: see 'platelink "
            "config "
            "example' and docs/alerts.md"
        )
    return config.alerts


def roster_of(section: AlertsSection) -> Roster:
    """Shifts and leave."""
    return Roster(
        tuple(map(_shift, section.shift)),
        {one.name: tuple(map(span_of, one.leave)) for one in section.person},
        ZoneInfo(section.time_zone),
    )


def _shift(section: ShiftSection) -> Shift:
    begins, ends = section.times()
    return Shift(
        section.name, section.people, frozenset(DAYS.index(day) for day in section.days), begins,
        ends, RANK[section.priority], round(section.delay_s * 1000),
    )  # fmt: skip


def settings_of(config: Config) -> AlertSettings:
    """What the teller is told."""
    section = section_of(config)
    languages = read_languages()
    return AlertSettings(
        roster=roster_of(section),
        ways={one.name: tuple(Way(one.name, way.name) for way in one.way)
              for one in section.person},
        writers={one.name: _writer(config, section, one, languages) for one in section.person},
        over_to=frozenset(one.name for one in section.person if one.over),
        pace=Pace(round(section.gather_s * 1000), round(section.pause_s * 1000)),
        summary_at=time.fromisoformat(section.summary_at) if section.summary_at else None,
        summary_to=tuple(one.name for one in section.person if one.summary),
    )  # fmt: skip


def _writer(
    config: Config, section: AlertsSection, person: PersonSection, languages: Mapping[str, Language]
) -> Writer:
    language = languages.get(person.language, languages[DEFAULT])
    texts = language.translations
    # English with a clock of 24 hours, as workshops have it
    locale = Locale("en", "GB") if language.code == DEFAULT else Locale.parse(language.code)
    say = Say(locale, ZoneInfo(section.time_zone), texts.gettext, texts.ngettext)
    page = section.page.rstrip("/") if section.page else None
    return Writer(say, config.unit.name, page)


def way_sections(section: AlertsSection) -> dict[Way, WaySection]:
    """The section of every way."""
    return {Way(one.name, way.name): way for one in section.person for way in one.way}
