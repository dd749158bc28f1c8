"""Questions answered from the facts; samples are decoded only where the facts leave it open."""

from __future__ import annotations

import math
import time
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from datetime import UTC, date, timedelta
from functools import partial

from platelink.codec import Pick
from platelink.contract.facts import Asked, Days, Imported, OneDay, Opened, Piece, Pieces, There
from platelink.facts import curve
from platelink.facts.build import behind
from platelink.facts.derive import TAGS, Json, spans_of, tags_of
from platelink.facts.file import cursor_of
from platelink.facts.ladder import courses, longest_s
from platelink.facts.limits import Limits, limits_of
from platelink.facts.questions import (
    ALL,
    Condition,
    Lead,
    Threshold,
    conditions,
    lamps_that_day,
    may_be,
    threshold,
)
from platelink.facts.refused import nobody
from platelink.facts.rows import courses_removed, made_rows, steps_of
from platelink.ledger.by import from_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreUnusable
from platelink.ledger.kind import Fault
from platelink.record.packed import packed_runs
from platelink.record.reader import JournalReader
from platelink.runs import SampleBlock

FEW = 2_000
"""So many are looked through one by one, rather than everything from the newest on."""
COUNTED = 20_000
"""So far the length of an index that may lead is told apart from another's."""
_PAGE = 200
AT_ONCE = 20_000
"""From the newest on so many are looked at by one query, so that the time can be watched."""
VALUES = 100
"""So many of a condition are told."""
_EACH_VALUE = """WITH RECURSIVE each (value) AS (
    SELECT min(value) FROM tags WHERE kind = ?
    UNION ALL
    SELECT (SELECT min(value) FROM tags WHERE kind = ? AND value > each.value) FROM each
    WHERE each.value IS NOT NULL
) SELECT value FROM each WHERE value IS NOT NULL LIMIT ?"""
"""From value to value by the index, however many have it."""


class Asking(ABC):
    """A facts file that is asked, whatever it follows from."""

    def __init__(self, db: Database) -> None:
        self.db = db
        self.decoded = 0

    @abstractmethod
    def behind(self) -> int:
        """So much of what it follows from is not in it."""

    @abstractmethod
    def unit_of(self, facts: Json) -> str:
        """The unit that it was made on."""

    @abstractmethod
    def on_unit(self, unit: str) -> Condition | None:
        """What is true of all that was made on this unit; None: of nothing here."""

    @abstractmethod
    def samples(self, number: int, run_id: str, pick: Pick) -> SampleBlock:
        """Of a run that is part of what has this number; those of its columns at least."""

    def sound(self, number: int, facts: Json) -> bool:
        """False of what must not be answered with any more."""
        return True

    def left_out(self) -> list[str]:
        """Of what is not answered with, why, in a sentence each."""
        return [why for (why,) in self.db.rows("SELECT why FROM unread ORDER BY number")]

    def imported(self, number: int) -> Imported | None:
        """From where; None of this unit's own."""
        return None

    def known(self) -> dict[str, int]:
        """``Known`` of an answer."""
        cursor = cursor_of(self.db)
        return {
            "up_to": cursor.number if cursor else 0,
            "behind": self.behind(),
            "unread": self.db.rows("SELECT count(*) FROM unread")[0][0],
        }

    # --- which -----------------------------------------------------------------------------

    def pieces(self, asked: Asked, most_s: float = math.inf) -> Pieces:
        """Newest first, as far back as is come in ``most_s``; StoreRefused when the question cannot
        be understood. What is asked for between two plates, ``Both`` makes a time of."""
        self.decoded = 0
        end = time.monotonic() + most_s
        found: list[Piece] = []
        back_to: int | None = None
        for number, piece in self._each(asked, min(_PAGE, asked.limit + 1)):
            if piece is not None:
                found.append(piece)
            if len(found) > asked.limit:
                break
            if time.monotonic() > end:
                back_to = number
                break
        more = len(found) > asked.limit
        return Pieces(
            made=found[: asked.limit], more=more, decoded=self.decoded,
            looked_back_to_utc=None if back_to is None else self._begun_utc(back_to),
            courses_removed=courses_removed(self.db) if asked.where else 0,
            imported=None, **self.known(),
        )  # fmt: skip

    def _begun_utc(self, number: int) -> str:
        """Of the newest up to this number."""
        return utc(
            self.db.rows(
                "SELECT began_ms FROM made WHERE number >= ? ORDER BY number LIMIT 1", (number,)
            )[0][0]
        )

    def _each(self, asked: Asked, page: int) -> Iterator[tuple[int, Piece | None]]:
        """How far it is looked, newest first, and one of which all is true where there is one; rows
        are fetched by the page."""
        thresholds = [threshold(text) for text in asked.where]
        wanted = [*conditions(asked), *self._beside(asked)]
        if asked.unit is not None:
            there = self.on_unit(asked.unit)
            if there is None:
                return
            wanted.append(there)
        for number, row in self._rows([*wanted, *map(may_be, thresholds)], page):
            longest = None
            if row is not None:
                self._must_be(row, asked)
                if self.sound(number, row[5]):
                    longest = self._longest_each_s(number, thresholds)
            yield (
                number,
                None if row is None or longest is None else self.piece(row, thresholds, longest),
            )

    def _rows(self, wanted: Sequence[Condition], page: int) -> Iterator[tuple[int, Row | None]]:
        """Rows of which all is true, with their number. Where one condition is true of few, those
        are looked through; else the shortest index that leads newest first, or all where none does,
        a part at a time: without a row it says how far."""
        counts = [self._count(one) for one in wanted]
        at = min(range(len(wanted)), key=counts.__getitem__, default=None)
        few = at is not None and counts[at] <= FEW
        leading = [i for i, one in enumerate(wanted) if one.leads is not None]
        by = at if few else min(leading, key=counts.__getitem__, default=None)
        first = None if by is None else wanted[by]
        others = [one for one in wanted if one is not first]
        own = () if first is None else first.values
        lead, tables, where = ALL, "made", [one.holds for one in others]
        if first is not None and few:
            where.insert(0, f"made.number IN ({first.finds})")
        elif first is not None and first.leads is not None:
            lead = first.leads
            # By the index alone, before the row in made is looked up.
            where = [lead.where, *(one.replace("made.number", lead.number) for one in where)]
            tables = f"{lead.table} CROSS JOIN made ON made.number = {lead.number}"
        values = [*own, *(v for one in others for v in one.values)]
        where += [f"{lead.number} < ?", f"{lead.number} >= ?"]
        before, first_of_all = self._within([one for one in wanted if one.in_time])
        while before is not None:
            part = None if few else self._part_below(before, lead, own)
            least = None if part is None or part <= first_of_all else part
            rows = made_rows(
                self.db, f"{' AND '.join(where)} ORDER BY {lead.number} DESC LIMIT ?",
                [*values, before, first_of_all if least is None else least, page], tables,
            )  # fmt: skip
            yield from ((row[0], row) for row in rows)
            if len(rows) == page:
                before = rows[-1][0]
            else:
                before = least
                if least is not None:
                    yield least, None

    def _within(self, times: Sequence[Condition]) -> tuple[int | None, int]:
        """Above and from what number on all are that were begun so; None where there is none."""
        if not times:
            return 1 << 62, -1
        where = " AND ".join(one.holds for one in times)
        ((first, last),) = self.db.rows(
            f"SELECT min(number), max(number) FROM made INDEXED BY made_by_time WHERE {where}",  # noqa: S608
            [value for one in times for value in one.values],
        )
        return (None, -1) if last is None else (last + 1, first)

    def _part_below(self, number: int, lead: Lead, values: Sequence[object]) -> int | None:
        """Where the part ends that is looked at once; None: at the first one on record."""
        found = self.db.rows(
            f"SELECT {lead.number} FROM {lead.table} WHERE {lead.where} AND {lead.number} < ? "  # noqa: S608
            f"ORDER BY {lead.number} DESC LIMIT 1 OFFSET ?",
            (*values, number, AT_ONCE - 1),
        )
        return found[0][0] if found else None

    def _count(self, one: Condition) -> int:
        """How many fulfil it, counted to a limit."""
        count: int = self.db.rows(
            f"SELECT count(*) FROM (SELECT 1 FROM ({one.finds}) LIMIT ?)",  # noqa: S608 -- our own text
            (*one.values, (FEW if one.leads is None else COUNTED) + 1),
        )[0][0]
        return count

    def _must_be(self, row: Row, asked: Asked) -> None:
        """What an index told is so by the facts, which have a checksum."""
        facts = row[5]
        there = {(kind, value.encode().lower()) for kind, value in tags_of(facts)}
        for kind, value in asked.model_dump(include=set(TAGS), exclude_none=True).items():
            if (kind, str(value).encode().lower()) not in there:
                raise self.db.kind.error(Fault.DAMAGED, self.db.path, f"{kind} of {row[1]}")

    def _longest_each_s(
        self, number: int, thresholds: Sequence[Threshold]
    ) -> list[tuple[float, float]] | None:
        """How long each was so, in any of its steps: at least and at most; None where one was not
        long enough."""
        if not thresholds:
            return []
        steps = [(step, packed) for _, step, packed in steps_of(self.db, number)]
        found = []
        for one in thresholds:
            least_s, most_s = self._longest_s(number, one.seconds, limits_of(one, steps))
            if not least_s > one.seconds:
                return None
            found.append((least_s, most_s))
        return found

    def _longest_s(
        self, number: int, more_than_s: float, steps: Sequence[Limits]
    ) -> tuple[float, float]:
        """The same twice where it is more than so long: by the rungs, else by the curve, else by
        the samples, each where it can still make a difference; two where samples were removed."""
        longest = 0.0
        by_samples = partial(self._by_samples, number)
        for nearer in (Limits.by_rungs, Limits.by_curve, by_samples):
            for one in sorted(steps, key=lambda one: -one.most_s):
                if one.most_s > max(longest, more_than_s):
                    nearer(one)
                longest = max(longest, one.least_s)
        return longest, max([longest, *(one.most_s for one in steps)])

    def _by_samples(self, number: int, one: Limits) -> None:
        self.decoded += 1
        asked = one.asked
        samples = self.samples(number, one.run_id, asked.looks_at)
        course = courses(samples).get(asked.quantity)
        if course is not None:  # else they were removed since
            known = longest_s(course, asked.side, asked.level)
            one.nearer(known, known)

    # --- one, and beside it ----------------------------------------------------------------

    @abstractmethod
    def find(self, name: str) -> Row | None:
        """The newest of this name, or with this run."""

    def row_of(self, name: str) -> Row:
        """The same; StoreRefused when there is none."""
        found = self.find(name)
        if found is None:
            raise nobody(name)
        return found

    def _beside(self, asked: Asked) -> list[Condition]:
        if asked.lamps_of is None:
            return []
        row = self.row_of(asked.lamps_of)
        return lamps_that_day(row[2], row[5]["lamp_set"])

    def opened(self, name: str, *, curves: bool = True) -> Opened:
        """One of them with its steps, and the curves of each."""
        row = self.row_of(name)
        steps = []
        for _, facts, packed in steps_of(self.db, row[0]):
            step = {k: v for k, v in facts.items() if k != "spans"}
            for quantity, span in spans_of(facts).items():
                step |= {f"{quantity}_min": span.low, f"{quantity}_max": span.high,
                         f"{quantity}_mean": span.mean}  # fmt: skip
            if curves:
                step["curves"] = curve.as_series(curve.unpack(packed))
            steps.append(step)
        return Opened(**dict(self.piece(row)), facts=row[5], steps=steps)

    def piece(
        self,
        row: Row,
        asked: Sequence[Threshold] = (),
        longest_s: Sequence[tuple[float, float]] = (),
    ) -> Piece:
        """One of them, as it is told."""
        number, name, began_ms, _, off_pct, facts = row
        ended_ms = facts.get("ended_ms")
        try:
            return Piece.model_validate(
                facts
                | {
                    "name": name,
                    "unit": self.unit_of(facts),
                    "imported": self.imported(number),
                    "began_utc": utc(began_ms),
                    "ended_utc": None if ended_ms is None else utc(ended_ms),
                    "off_pct": off_pct,
                    "matched": [one.told(*s) for one, s in zip(asked, longest_s, strict=True)],
                    "longest_s": [least_s for least_s, _ in longest_s],
                    "at_least": [least_s < most_s for least_s, most_s in longest_s],
                }
            )
        except ValueError as error:
            raise StoreUnusable(f"{self.db.path}: {name} cannot be shown: {error}") from error

    def has(self, kind: str, value: str) -> bool:
        """True where something on record is so."""
        return bool(
            self.db.rows("SELECT 1 FROM tags WHERE kind = ? AND value = ? LIMIT 1", (kind, value))
        )

    def there(self) -> There:
        """Values that can be asked for; of each condition the first hundred."""
        values, more = {}, []
        for kind in TAGS:
            rows = self.db.rows(_EACH_VALUE, (kind, kind, VALUES + 1))
            values[kind] = [value for (value,) in rows[:VALUES]]
            if len(rows) > VALUES:
                more.append(kind)
        return There(values=values, more=more)

    def days(self, limit: int = 100) -> Days:
        """What was made on each day, newest first."""
        rows = self.db.rows(
            "SELECT day, made, good, reject, worst_off_pct FROM days ORDER BY day DESC LIMIT ?",
            (limit,),
        )
        return Days(
            days=[
                OneDay(day=(date(1970, 1, 1) + timedelta(days=day)).isoformat(), made=made,
                       good=good, reject=reject, worst_off_pct=off)
                for day, made, good, reject, off in rows
            ]
        )  # fmt: skip


class Facts(Asking):
    """The facts file of this unit, and the journal it follows."""

    def __init__(self, db: Database, journal: JournalReader) -> None:
        super().__init__(db)
        self.journal = journal

    def behind(self) -> int:
        """Entries of the journal."""
        return behind(self.journal, self.db)

    def unit_of(self, facts: Json) -> str:
        """This unit."""
        return str(self.journal.unit)

    def on_unit(self, unit: str) -> Condition | None:
        """All, or nothing."""
        return Condition("SELECT number FROM made", "1", ()) if unit == self.journal.unit else None

    def samples(self, number: int, run_id: str, pick: Pick) -> SampleBlock:
        """From the journal, which is one."""
        (packed,) = packed_runs(self.journal, [run_id], pick)
        return packed.samples()

    def find(self, name: str) -> Row | None:
        """The newest of this name, or of this run."""
        rows = made_rows(self.db, "name = ? ORDER BY number DESC LIMIT 1", (name,))
        if not rows:
            ids = self.journal.rows("SELECT number, plate FROM runs WHERE run_id = ?", name)
            for number, plate in ids:
                rows = made_rows(
                    self.db, "number = ? OR name = ? ORDER BY number DESC LIMIT 1", (number, plate)
                )
        return rows[0] if rows else None


def utc(at_ms: int) -> str:
    """A time as all answers have it."""
    return from_ms(at_ms).astimezone(UTC).isoformat(timespec="milliseconds")
