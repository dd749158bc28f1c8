"""The converter's reference, from the device's own bandgap. Pure.

A converter counts parts of its reference: with the bandgap at ``b`` counts the reference is
``BANDGAP_V · 2^bits / b``. The bandgap of one chip is steady but not known to better than 10 %
(ATmega328P's data sheet), so that volts are nominal and what counts is their change: signals that
do not hang on the same supply read too low by what it has risen.
"""

from __future__ import annotations

from platelink.link.messages import Supply

BANDGAP_V = 1.1
ASK_S = 1.0
"""How often a device is asked, while no exposure goes on."""
LEAST_COUNT = 50
LOW_V, HIGH_V = 2.4, 6.1
"""What a 5 V or 3.3 V supply can read as, a bandgap 10 % off included; else the reading is none."""


class SupplyWatch:
    """What is known of the reference of the device that answers."""

    def __init__(self, adc_bits: int) -> None:
        self._steps = 1 << adc_bits
        self._asked_at = float("-inf")
        self.there = False
        """The device measures it."""
        self.volts: float | None = None
        """Nominal; None: not measured, or no reading that can be."""

    def device(self, there: bool) -> None:
        """Another device answers, or the same anew."""
        self.there, self.volts, self._asked_at = there, None, float("-inf")

    def due(self, *, now: float) -> bool:
        """It is time to ask; counts as asked."""
        if not self.there or now - self._asked_at < ASK_S:
            return False
        self._asked_at = now
        return True

    def take(self, supply: Supply) -> None:
        """What it answered."""
        n, total = supply.bandgap_count, supply.bandgap_sum
        volts = BANDGAP_V * self._steps * n / total if n >= LEAST_COUNT and total else 0.0
        self.volts = volts if LOW_V <= volts <= HIGH_V else None
