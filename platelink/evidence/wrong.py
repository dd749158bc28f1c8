"""What a proof does not hold for, in one sentence. Data only."""

from __future__ import annotations


class EvidenceError(Exception):
    """A seal, proof or key is not what it must be; the text says what was found."""
