"""One thing that decides a plate, then and today, as it is told. Pure."""

from __future__ import annotations

from platelink.contract.remake import Match, RemakeLine


def line_of(
    step: str, what: str, match: Match, text: str, *, then: str | float | None = None,
    today: str | float | None = None, unit: str = "", off_pct: float | None = None,
    between: tuple[float, float] | None = None,
) -> RemakeLine:  # fmt: skip
    """Numbers are told to a thousandth; ``between``: today's lies there."""
    low, high = (None, None) if between is None else between
    return RemakeLine(
        step=step, what=what, then=_short(then), today=_short(today), unit=unit, low=_number(low),
        high=_number(high), match=match, off_pct=_number(off_pct, 2), text=text,
    )  # fmt: skip


def _short(value: str | float | None) -> str | float | None:
    return value if isinstance(value, str) else _number(value)


def _number(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else round(value, digits)
