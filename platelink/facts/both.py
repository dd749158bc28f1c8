"""This unit's facts, and beside them those of records imported from other units: asked together,
counted apart."""

from __future__ import annotations

import math
import time
from datetime import timedelta
from typing import Any

from platelink.contract.facts import Asked, ImportedPieces, Opened, Pieces, There
from platelink.facts.ask import VALUES, Asking, Facts
from platelink.facts.refused import nobody, two_plates
from platelink.ledger.by import from_ms
from platelink.ledger.database import Row

CANNOT = ("alarm", "lamp_set", "lamps_of")
"""What no imported record tells: it stands in entries of that unit outside the record."""
_LEAST_S = 1.0
"""What was imported is looked at for so long, whatever time the own took."""
_WHY = 5


class Both:
    """See the file's first line. ``imported`` is None where nothing is there to be asked, and
    ``why`` then says why not, where something was imported."""

    def __init__(self, own: Facts, imported: Asking | None = None, why: str = "") -> None:
        self.own, self._imported, self._why = own, imported, why

    def pieces(self, asked: Asked, most_s: float = math.inf) -> Pieces:
        """Newest first, as far back as is come in ``most_s``; StoreRefused when the question cannot
        be understood."""
        end = time.monotonic() + most_s
        asked = self._between(asked)
        own = self.own.pieces(asked, most_s)
        left_s = max(_LEAST_S, end - time.monotonic())
        return own.model_copy(update={"imported": self._others(asked, left_s)})

    def _others(self, asked: Asked, most_s: float) -> ImportedPieces | None:
        cannot = [name for name in CANNOT if getattr(asked, name) is not None]
        found: dict[str, Any] = {
            "made": [], "more": False, "looked_back_to_utc": None, "behind": 0, "cannot": cannot,
        }  # fmt: skip
        if self._imported is None:
            if not self._why:
                return None
            return ImportedPieces(**found, left_out=1, why=[self._why])
        if not cannot:
            answer = self._imported.pieces(asked, most_s)
            found |= answer.model_dump(include={"made", "more", "looked_back_to_utc"})
        why = self._imported.left_out()
        return ImportedPieces(
            **found | {"behind": self._imported.behind()}, left_out=len(why), why=why[:_WHY]
        )

    def _between(self, asked: Asked) -> Asked:
        """Two plates as the time between them: either may be another unit's."""
        if not asked.between:
            return asked
        if len(asked.between) != 2:
            raise two_plates()
        first, second = sorted(from_ms(self.find(name)[1][2]) for name in asked.between)
        after = first + timedelta(milliseconds=1)
        return asked.model_copy(
            update={
                "between": [],
                "since": after if asked.since is None else max(asked.since, after),
                "until": second if asked.until is None else min(asked.until, second),
            }
        )

    def find(self, name: str) -> tuple[Asking, Row]:
        """The newest of this name, the own before what was imported; StoreRefused when there is
        none."""
        for one in (self.own, self._imported):
            row = one.find(name) if one is not None else None
            if one is not None and row is not None:
                return one, row
        raise nobody(name)

    def opened(self, name: str, *, curves: bool = True) -> Opened:
        """One of them with its steps, and the curves of each."""
        return self.find(name)[0].opened(name, curves=curves)

    def there(self) -> There:
        """Values that can be asked for; of each condition the first hundred."""
        own = self.own.there()
        if self._imported is None:
            return own
        others = self._imported.there()
        values = {kind: sorted({*own.values[kind], *others.values[kind]}) for kind in own.values}
        many = {kind for kind, found in values.items() if len(found) > VALUES}
        return There(
            values={kind: found[:VALUES] for kind, found in values.items()},
            more=[kind for kind in values if kind in {*own.more, *others.more, *many}],
        )
