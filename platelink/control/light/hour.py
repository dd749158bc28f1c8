"""Light that the device has given within its hour, and what that leaves. Pure.

The device keeps limits of light that no host can move (PROTOCOL.md, Limits of light). This is the
host's own account of them, so that it can say so before it asks; the device has the last word.
Times in device ticks of one boot.
"""

from __future__ import annotations

from platelink.link import messages as m

KEPT_TICKS = m.HOUR_TICKS + m.HOUR_TICKS // 12
"""The device forgets light a twelfth of its hour late at most."""
SLACK_TICKS = 2000
"""For what it rounds up, and for the frames in which an order opens and closes."""


class LightHour:
    """See the file's first lines."""

    def __init__(self) -> None:
        self._orders: dict[int, tuple[int, int]] = {}
        """First and newest tick of light of each order, oldest first."""
        self._ticks = 0

    def sample(self, sample: m.Sample, ticks: int) -> None:
        """Take one sample; its order may have opened since the one before."""
        if sample.order_state == m.OrderState.OPEN:
            opened, _ = self._orders.get(sample.order, (self._ticks, ticks))
            self._orders[sample.order] = opened, ticks
        self._ticks = ticks

    def report(self, report: m.OrderReport, open_ticks: int, close_ticks: int) -> None:
        """Take the device's account of an order that has closed. It did not open before samples
        told that it had not, and gave no more light than any order may."""
        if report.state == m.OrderState.CLOSED:
            first, _ = self._orders.get(report.order, (close_ticks - m.MAX_GUARD_TICKS, 0))
            opened = open_ticks if first <= open_ticks <= close_ticks else first
            self._orders[report.order] = opened, close_ticks

    def left(self, ticks: int) -> int:
        """Ticks of light that the hour leaves."""
        return max(0, m.HOUR_LIT_TICKS - SLACK_TICKS - sum(b - a for a, b in self._within(ticks)))

    def free_in(self, wanted: int, ticks: int) -> int:
        """Ticks until it leaves as many as ``wanted``, while no light is given."""
        excess = wanted - self.left(ticks)
        for first, newest in self._within(ticks):
            if excess <= newest - first:
                return max(0, first + excess + KEPT_TICKS - ticks)
            excess -= newest - first
        return KEPT_TICKS

    def _within(self, ticks: int) -> list[tuple[int, int]]:
        since = ticks - KEPT_TICKS
        self._orders = {n: (a, b) for n, (a, b) in self._orders.items() if b > since}
        # none has given light in times to come
        return [(max(a, since), min(b, ticks)) for a, b in self._orders.values() if a < ticks]
