"""Facts of records imported from other units: a file of their own beside this unit's, made of the
store of imported records. Each record is verified again before it is an answer."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from platelink.codec import Pick
from platelink.contract.facts import Imported as Origin
from platelink.evidence.beside import imported_path
from platelink.evidence.foreign import samples_in
from platelink.evidence.imported import Imported, ImportedStore
from platelink.evidence.wrong import EvidenceError
from platelink.facts import file
from platelink.facts.ask import Asking, Facts
from platelink.facts.both import Both
from platelink.facts.build import facts_of
from platelink.facts.derive import Json, Made, sum_of
from platelink.facts.file import Brought, Cursor, Progress, cursor_of, enter
from platelink.facts.gather import Gathered
from platelink.facts.questions import Condition
from platelink.facts.rows import made_rows
from platelink.facts.workers import here
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.record.reader import JournalReader
from platelink.runs import SampleBlock

_BITS = 20
_MASK = (1 << _BITS) - 1
"""A number in this file is when it was begun, in ms, and then the number of its bundle: so the
newest come first, whenever they were imported. Room for a million bundles, and until 2109."""
_ON_UNIT = "json_extract(made.facts, '$.imported.unit') = ? COLLATE NOCASE"


def imported_facts_beside(facts: Path) -> Path:
    """Where they lie, beside this unit's own."""
    return facts.with_suffix(".imported" + facts.suffix)


@contextmanager
def both_of(
    journal: JournalReader, facts: Path, *, most_s: float = math.inf, processes: int = 0,
) -> Iterator[Both]:  # fmt: skip
    """This unit's facts and those of what was imported, up to the newest of both. What was imported
    keeps nobody from the own: where it cannot be asked, that is said."""
    with facts_of(journal, facts, most_s=most_s, processes=processes) as db, ExitStack() as held:
        own, path = Facts(db, journal), imported_path(journal.path)
        imported, why = None, ""
        if path.exists():
            try:
                store = held.enter_context(ImportedStore.open(path, read_only=True))
                beside = imported_facts_beside(facts)
                others = file.opened(OfImported(store), beside, most_s=most_s)
                imported = ImportedFacts(held.enter_context(others), store)
            except StoreError as error:
                why = str(error)
        yield Both(own, imported, why)


def bring_up_imported(
    journal: Path, facts: Path, *, anew: bool, whole: bool
) -> tuple[Path, Brought] | None:
    """Bring that file up, as ``file.bring_up``; None where nothing was imported."""
    path = imported_path(journal)
    if not path.exists():
        return None
    beside = imported_facts_beside(facts)
    with ImportedStore.open(path, read_only=True) as store:
        return beside, file.bring_up(OfImported(store), beside, anew=anew, whole=whole)


class OfImported:
    """The store of imported records, as facts follow from it. It is only added to."""

    def __init__(self, store: ImportedStore) -> None:
        self._store, self._all = store, store.all()

    def _up_to(self, number: int) -> int:
        return sum_of(*(one for one in self._all if one.number <= number))

    def strange(self, cursor: Cursor) -> str:
        """Why a file that knows so much is not of this store as it is now."""
        if len(self._all) < cursor.number:
            return (
                f"it knew {cursor.number} imported records, and there are {len(self._all)}: a "
                "backup?"
            )
        if self._up_to(cursor.number) != cursor.entry:
            return f"the first {cursor.number} imported records are others: a backup?"
        return ""

    def behind(self, cursor: Cursor | None) -> int:
        """Records that are not known."""
        return len(self._all) - (cursor.number if cursor else 0)

    def follow(self, db: Database, progress: Progress, most_s: float) -> tuple[int, int]:
        """One by one to the newest; records that were taken up, and those that can be asked."""
        end = time.monotonic() + most_s
        known = cursor_of(db) or Cursor("imported", "", 0)
        looked = made = 0
        for one in self._all[known.number :]:
            if time.monotonic() > end:
                break
            found, unread = self._made(one), dict[int, str]()
            if isinstance(found, str):
                found, unread = [], {one.number: f"{one.called}: {found}"}
            entry = self._up_to(one.number)
            enter(db, Cursor(known.uuid, known.unit, one.number, entry), found, unread)
            looked, made = looked + 1, made + len(found)
            progress(one.number, len(self._all))
        return looked, made

    def _made(self, one: Imported) -> list[Made] | str:
        """Its facts, or why it has none."""
        told: list[str] = []
        try:
            with self._store.opened(one) as reader:
                gathered = Gathered(reader, [one.name], (), lambda _, why: told.append(why), here)
                found = gathered.made()
        except (EvidenceError, StoreError) as error:
            return str(error)
        if told or not found:
            return told[0] if told else "its record has no such run"
        origin = {"unit": one.unit, "site": one.site}
        # Which lamps it had, its record does not tell.
        return [
            replace(
                made, number=made.began_ms << _BITS | one.number, parts=(),
                facts=made.facts | {"lamp_set": "", "imported": origin},
            )
            for made in found
        ]  # fmt: skip


class ImportedFacts(Asking):
    """The facts of imported records, and the store that they follow from."""

    def __init__(self, db: Database, store: ImportedStore) -> None:
        super().__init__(db)
        self._store = store
        self._by_number = {one.number: one for one in store.all()}
        self._wrong: dict[int, str] = {}

    def behind(self) -> int:
        """Records."""
        return OfImported(self._store).behind(cursor_of(self.db))

    def unit_of(self, facts: Json) -> str:
        """As its seal has it."""
        return str(facts["imported"]["unit"])

    def on_unit(self, unit: str) -> Condition | None:
        """By the unit that stands with each."""
        finds = f"SELECT number FROM made WHERE {_ON_UNIT}"  # noqa: S608 -- our own text
        return Condition(finds, _ON_UNIT, (unit,))

    def samples(self, number: int, run_id: str, pick: Pick) -> SampleBlock:
        """As they came in the bundle."""
        return samples_in(self._store.files(self._of(number)), run_id)

    def _of(self, number: int) -> Imported:
        return self._by_number[number & _MASK]

    def sound(self, number: int, facts: Json) -> bool:
        """Verified again, under the key that it was imported under."""
        one = self._of(number)
        try:
            self._store.must_hold(one)
        except (EvidenceError, StoreError) as error:
            self._wrong[one.number] = str(error)
            return False
        return True

    def left_out(self) -> list[str]:
        """Those that could not be taken up, and those that do not verify any more."""
        return [*super().left_out(), *self._wrong.values()]

    def imported(self, number: int) -> Origin | None:
        """As the store has it."""
        one = self._of(number)
        return Origin(
            called=one.called, site=one.site, sealed_utc=one.sealed_utc, key=one.vkey,
            imported_utc=one.imported_utc,
        )  # fmt: skip

    def find(self, name: str) -> Row | None:
        """The one that is meant; StoreRefused where several are, or where it does not verify."""
        found = {one.number: (one, run_id) for one, run_id in self._store.find(name)}
        if not found:
            return None
        if len(found) > 1:
            names = ", ".join(f"{one.site}/{one.unit}/{run}" for one, run in found.values())
            raise StoreRefused(f"'{name}' was imported from several units: {names}; type one")
        ((one, _),) = found.values()
        rows = made_rows(self.db, "(made.number & ?) = ?", (_MASK, one.number))
        if not rows or not self.sound(rows[0][0], rows[0][5]):
            why = [text for text in self.left_out() if text.startswith(one.called)]
            raise StoreRefused(why[0] if why else f"{one.called} is not looked at yet; ask again")
        return rows[0]
