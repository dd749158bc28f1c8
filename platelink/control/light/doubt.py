"""What is not known of the dose, and telling of it before it is over: a crash may come. Pure."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from platelink.control.states import Noted
from platelink.events.light import Doubted


@dataclass(frozen=True, slots=True)
class Doubt:
    """How far what fell may be from what is counted, mJ/cm²."""

    more: float = 0.0
    """Fell unseen."""
    less: float = 0.0
    """Is counted and may not have fallen."""
    spread: float = 0.0
    """Of ``more``, what may not have fallen even if the lamps were on: nobody knows to the moment
    since when."""

    def __add__(self, other: Doubt) -> Doubt:
        return Doubt(self.more + other.more, self.less + other.less, self.spread + other.spread)


class DoubtNews:
    """Notes a doubt when its cause is another than before, with how fast it grows: from both, a
    record that ends there tells how large it became."""

    def __init__(self, order: int) -> None:
        """``order``: that of the light; 0 without one."""
        self._order = order
        self._cause: Hashable = None

    def wanted(self, cause: Hashable) -> bool:
        """It is another one."""
        return cause != self._cause

    def of(
        self, cause: Hashable, doubt: Doubt, *, more_mw_cm2: float = 0.0, less_mw_cm2: float = 0.0,
        light_s: float = 0.0,
    ) -> tuple[Noted, ...]:  # fmt: skip
        """``cause``: None for none; ``light_s`` is the light of the order so far."""
        if not self.wanted(cause):
            return ()
        self._cause = cause
        event = Doubted(
            self._order, light_s, doubt.more, doubt.less, more_mw_cm2, less_mw_cm2
        )  # fmt: skip
        more, less = f"{doubt.more:.1f} mJ/cm² more", f"{doubt.less:.1f} mJ/cm² less"
        return (Noted(event, f"up to {more} or {less} may have been given than is counted"),)
