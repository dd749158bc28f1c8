"""How a person is spoken to: language, numbers, times. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from babel import Locale
from babel.dates import format_date, format_skeleton, format_time
from babel.numbers import format_decimal


@dataclass(frozen=True, slots=True)
class Say:
    """See the file's first line. ``one`` and ``many`` look a text up in a catalogue."""

    locale: Locale
    zone: tzinfo
    one: Callable[[str], str]
    many: Callable[[str, str, int], str]

    def t(self, text: str, /, **values: str) -> str:
        """A text, with its values put in."""
        return self.one(text).format(**values)

    def nt(self, one: str, many: str, n: int) -> str:
        """A text with a number ``n``."""
        return self.many(one, many, n).format(n=self.number(n))

    def word(self, text: str) -> str:
        """A name of ours, such as an alarm's; one that has no translation stays as it is."""
        return self.one(text) if text else text

    def number(self, value: float) -> str:
        """Four digits at most."""
        digits = float(f"{value:.4g}") if isinstance(value, float) else value
        return format_decimal(digits, format="#,##0.###", locale=self.locale)

    def clock(self, at_ms: int) -> str:
        """Hours and minutes; seconds are no help on a phone."""
        return format_time(self._at(at_ms).time(), format="short", locale=self.locale)

    def day(self, at_ms: int) -> str:
        """Weekday and date."""
        return format_skeleton("MMMEd", self._at(at_ms), locale=self.locale)

    def date(self, iso: str) -> str:
        """A date that stands as text."""
        return format_date(datetime.fromisoformat(iso), format="medium", locale=self.locale)

    def moment(self, at_ms: int) -> str:
        """Day and time."""
        return f"{self.day(at_ms)}, {self.clock(at_ms)}"

    def _at(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(self.zone)

    def duration(self, seconds: float) -> str:
        """``40 s``, ``12 min``, ``3 h 5 min``."""
        if seconds < 90.0:
            return f"{seconds:.0f} s"
        minutes = round(seconds / 60.0)
        if minutes < 60:
            return f"{minutes} min"
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
