"""Numbers, quantities and times for people: by their locale, in the units of the shop. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from decimal import Decimal
from typing import Any

from babel import Locale
from babel.dates import format_date, format_datetime
from babel.numbers import format_decimal, get_decimal_symbol

from platelink.units import DOSE, IRRADIANCE, PRESSURE, TEMPERATURE, Quantity

QUANTITIES: Mapping[str, Quantity] = {
    "dose": DOSE,
    "irradiance": IRRADIANCE,
    "vacuum": PRESSURE,
    "temperature": TEMPERATURE,
}
DASH = "–"
LEFT_TO_RIGHT, END = "\u2066", "\u2069"
"""An isolate of Unicode's bidirectional algorithm (UAX 9)."""
HOUR_S, MINUTE_S = 3600, 60


def units_document(display: Mapping[str, str]) -> str:
    """How the browser shows each quantity: ``shown = base / factor - shift``, symbol, decimals."""
    document = {}
    for name, quantity in QUANTITIES.items():
        unit = quantity.unit(display[name])
        document[name] = {
            "symbol": unit.symbol,
            "factor": float(unit.factor),
            "shift": float(unit.shift),
            "decimals": unit.decimals,
        }
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


@dataclass(frozen=True)
class Formats:
    """What templates call."""

    locale: Locale
    display: Mapping[str, str]
    zone: tzinfo
    ltr: bool = False
    """Number and unit are kept in their order amid text that is written from the right."""

    @property
    def mark(self) -> str:
        """Between ones and tenths."""
        return get_decimal_symbol(self.locale)

    def number(self, value: float | None, decimals: int = 0) -> str:
        """``1,234.5`` or ``1.234,5``; a dash for what is missing."""
        if value is None or not math.isfinite(value):
            return DASH
        form = "#,##0" + ("." + "0" * decimals if decimals else "")
        shown = round(Decimal(str(value)), decimals) or Decimal()  # a rounded zero has no sign
        return format_decimal(shown, format=form, locale=self.locale)

    def quantity(self, value: float | None, name: str, decimals: int | None = None) -> str:
        """A value in platelink's own unit, with the unit that the shop chose."""
        kind = QUANTITIES[name]
        unit = kind.unit(self.display[name])
        shown = None if value is None else kind.to(value, self.display[name])
        places = unit.decimals if decimals is None else decimals
        return self._kept(f"{self.number(shown, places)} {unit.symbol}")

    def unit(self, name: str) -> str:
        """The symbol of the shop's unit of a quantity."""
        return QUANTITIES[name].unit(self.display[name]).symbol

    def _kept(self, text: str) -> str:
        return f"{LEFT_TO_RIGHT}{text}{END}" if self.ltr else text

    def depth(self, um: float) -> str:
        """A depth, to a tenth of a micrometre."""
        return f"{self.number(um, 1)} µm"

    def signed(self, pct: float) -> str:
        """How far a dose is from its target."""
        return self._kept(f"{'-' if pct < 0.0 else '+'}{self.number(abs(pct), 3)} %")

    def percent(self, pct: float | None) -> str:
        """A share, to a hundredth."""
        return self._kept(f"{self.number(pct, 2)}\u00a0%")

    def seconds(self, seconds: float | None) -> str:
        """A time in seconds alone, to a hundredth."""
        return self._kept(f"{self.number(seconds, 2)}\u00a0s")

    def expanded(self, u_pct: float) -> str:
        """An expanded uncertainty, in two digits."""
        if not (math.isfinite(u_pct) and u_pct > 0.0):
            return self._kept(f"±{self.number(u_pct)} %")
        decimals = max(0, 1 - math.floor(math.log10(u_pct)))
        return self._kept(f"±{self.number(u_pct, decimals)} %")

    def moment(self, at_utc: str | None) -> str:
        """Date and time, to the second, in the zone of the unit's computer."""
        at = _parsed(at_utc)
        return (
            DASH
            if at is None
            else format_datetime(at.astimezone(self.zone), "short", locale=self.locale)
        )

    def day(self, text: str | None) -> str:
        """A date."""
        try:
            return (
                DASH
                if not text
                else format_date(date.fromisoformat(text[:10]), "medium", locale=self.locale)
            )
        except ValueError:
            return str(text)

    def clock(self, at_utc: str | None) -> str:
        """Time of day with seconds."""
        at = _parsed(at_utc)
        return (
            DASH
            if at is None
            else format_datetime(
                at.astimezone(self.zone), _clock_form(self.locale), locale=self.locale
            )
        )

    def duration(self, seconds: float | None) -> str:
        """``42 s``, ``4:20 min`` or ``1:05:00 h``."""
        if seconds is None or not math.isfinite(seconds):
            return DASH
        whole = round(seconds)
        if whole < MINUTE_S:
            return self._kept(f"{self.number(seconds, _decimals(seconds))} s")
        if whole < HOUR_S:
            return self._kept(f"{whole // 60}:{whole % 60:02} min")
        return self._kept(f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02} h")


def _decimals(seconds: float) -> int:
    if seconds == 0.0 or seconds >= 10.0:
        return 0
    return 1 if seconds >= 1.0 else 3


def _clock_form(locale: Locale) -> str:
    return str(locale.time_formats["medium"].pattern)


def _parsed(at_utc: Any) -> datetime | None:
    try:
        at = datetime.fromisoformat(at_utc)
    except (TypeError, ValueError):
        return None
    return at if at.tzinfo else at.replace(tzinfo=UTC)
