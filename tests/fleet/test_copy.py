"""A copy is what the unit published, in whatever order it came, once, and on disk before more."""

from __future__ import annotations

import random
from datetime import timedelta
from pathlib import Path

import pytest
from fleet.fleet_copies import SITE, UNIT, contents, good, published, unit_journal
from publish import publish_samples as ps

from platelink.fleet import copies as copies_module
from platelink.fleet import copy as copy_module
from platelink.fleet.copies import Copies, files_of, units_of
from platelink.fleet.opened import (
    NoCopyError,
    doubts_of,
    opened,
    plates_of,
    unit_of,
    whole_of,
    whole_of_all,
)
from platelink.ledger.database import Database
from platelink.publish.ranges import Ranges, holes
from platelink.record.errors import JournalInUse, NotAJournal
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import AnyEntry, RunSamples, RunStart

ME = (SITE, UNIT)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    return unit_journal(tmp_path / "journal.sqlite")


def taken(folder: Path, entries: list[AnyEntry], *, at_once: int = 7) -> list[str]:
    """Given in batches; what was refused."""
    copies = Copies(folder)
    try:
        return [
            one.reason
            for begin in range(0, len(entries), at_once)
            for one in copies.take([good(entry) for entry in entries[begin : begin + at_once]])
        ]
    finally:
        copies.close()


def test_in_order_it_is_the_same_journal(source: Path, tmp_path: Path) -> None:
    assert taken(tmp_path / "fleet", published(source)) == []
    (path,) = files_of(tmp_path / "fleet", *ME)
    assert contents(path) == contents(source)
    (whole,) = whole_of_all(tmp_path / "fleet", ME)
    assert whole.missing == () and whole.entries == whole.newest == len(published(source))


@pytest.mark.parametrize("seed", range(12))
def test_in_any_order_and_twice_it_is_the_same_journal(
    source: Path, tmp_path: Path, seed: int
) -> None:
    """Corrections before what they correct, ends before starts, each entry up to three times."""
    rng = random.Random(seed)
    entries = published(source)
    given = entries + rng.choices(entries, k=len(entries))
    rng.shuffle(given)
    assert taken(tmp_path / "fleet", given, at_once=rng.choice((1, 5, 500))) == []
    (path,) = files_of(tmp_path / "fleet", *ME)
    assert contents(path) == contents(source)


@pytest.mark.parametrize("order", [(1, 2, 3), (3, 2, 1), (2, 1, 3), (2, 3, 1), (3, 1, 2)])
def test_of_corrections_the_newest_stands_whichever_came_last(
    source: Path, tmp_path: Path, order: tuple[int, ...]
) -> None:
    """1: the plate's start; 2, 3: corrections of its lot, L-9 and then L-7."""
    entries = published(source)
    start = next(i for i, e in enumerate(entries) if e.kind == "start" and e.run_id == "P-1")
    first, second = (
        i for i, e in enumerate(entries) if getattr(e, "name", "") == "plate corrected"
    )
    late = {1: start, 2: first, 3: second}
    rest = [e for i, e in enumerate(entries) if i not in late.values()]
    taken(tmp_path / "fleet", rest + [entries[late[one]] for one in order])
    for reader in opened(tmp_path / "fleet", ME):
        lots = reader.rows(
            "SELECT name, value FROM facts WHERE run_id = 'P-1' AND value LIKE 'L-%'"
        )
        assert ("lot", "L-7") in lots and [n for n, _ in lots].count("lot") == 1
        assert ("was", "L-7") not in lots


def test_what_has_not_come_is_known_and_comes_later(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    lost = entries[4:9] + entries[12:13]
    copies = Copies(tmp_path / "fleet")
    copies.take([good(entry) for entry in entries if entry not in lost])
    uuid = entries[0].id.rpartition("-")[0]
    assert copies.missing(ME) == {uuid: ((5, 9), (13, 13))}
    (whole,) = whole_of_all(tmp_path / "fleet", ME)
    assert "6 have not come, and the unit is asked for them: 5 to 9, 13" in whole.text
    copies.take([good(entry) for entry in reversed(lost)])
    assert copies.missing(ME) == {}
    copies.close()
    (path,) = files_of(tmp_path / "fleet", *ME)
    assert contents(path)["entries"] == entries


def test_a_run_whose_samples_have_not_all_come_says_which(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    (at,) = (
        i for i, e in enumerate(entries)
        if isinstance(e, RunSamples) and e.run_id == "20260302-070000-aaaa"
    )  # fmt: skip
    taken(tmp_path / "fleet", entries[:at] + entries[at + 1 :])
    for reader in opened(tmp_path / "fleet", ME):
        run = reader.run("20260302-070000-aaaa")
        assert run is not None
        assert doubts_of(reader, run) == [
            f"of its entries 1 have not come, and the unit is asked for them: {at + 1}"
        ]
        other = reader.run("P-1")
        assert other is not None and doubts_of(reader, other) == []


def test_samples_that_the_unit_had_removed_before_are_said_to_be(
    source: Path, tmp_path: Path
) -> None:
    entries = published(source)
    bare = [
        e.model_copy(update={"ticks": (), "at_utc_ms": (), "values": {}})
        if isinstance(e, RunSamples) else e
        for e in entries
    ]  # fmt: skip
    assert taken(tmp_path / "fleet", bare) == []
    for reader in opened(tmp_path / "fleet", ME):
        assert whole_of(reader, ME).missing == ()
        run = reader.run("20260302-070000-aaaa")
        assert run is not None and len(reader.samples("20260302-070000-aaaa")) == 0
        assert doubts_of(reader, run) == [
            "its samples were removed at the unit before they came here (1 blocks)"
        ]


# --- kept for good --------------------------------------------------------------------------------


def test_a_batch_is_on_disk_when_it_is_taken(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[Path] = []
    plain = Database.checkpoint

    def checkpoint(self: Database, *, backfill: bool) -> object:
        synced.append(self.path)
        return plain(self, backfill=backfill)

    monkeypatch.setattr(Database, "checkpoint", checkpoint)
    folders: list[Path] = []
    monkeypatch.setattr(copy_module, "_sync_folder", folders.append)
    copies = Copies(tmp_path / "fleet")
    for entry in published(source)[:3]:
        before = len(synced)
        copies.take([good(entry)])
        assert len(synced) == before + 1
    assert folders == [
        tmp_path / "fleet" / SITE / UNIT,
        tmp_path / "fleet" / SITE,
        tmp_path / "fleet",
    ]


def test_what_was_taken_is_known_after_a_restart(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    taken(tmp_path / "fleet", [entries[0], *entries[10:20], entries[3]])
    copies = Copies(tmp_path / "fleet")
    (held,) = copies.held(ME).values()
    assert held == ((1, 1), (4, 4), (11, 20))
    copies.close()


def test_one_process_writes(source: Path, tmp_path: Path) -> None:
    first = Copies(tmp_path / "fleet")
    first.take([good(published(source)[0])])
    second = Copies(tmp_path / "fleet")
    with pytest.raises(JournalInUse):
        second.take([good(published(source)[1])])
    first.close()
    assert second.take([good(published(source)[1])]) == []
    second.close()


def test_no_unit_writes_into_a_copy_and_no_copy_into_a_units_journal(
    source: Path, tmp_path: Path
) -> None:
    entries = published(source)
    taken(tmp_path / "fleet", entries)
    (path,) = files_of(tmp_path / "fleet", *ME)
    with pytest.raises(NotAJournal, match="copy of a unit's journal"):
        Journal.open(path, unit=UNIT, new_uuid="y", ballast_bytes=4096)
    before = contents(source)
    other = tmp_path / "other" / SITE / UNIT
    other.mkdir(parents=True)
    own = other / f"{entries[0].id.rpartition('-')[0]}.sqlite"
    source.rename(own)
    assert "own journal" in taken(tmp_path / "other", entries)[0]
    assert contents(own) == before


# --- whose it is ------------------------------------------------------------------------------


def test_a_journal_begun_anew_gets_a_file_of_its_own(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    anew = [e.model_copy(update={"id": f"anew-{n}"}) for n, e in enumerate(entries, 1)]
    taken(tmp_path / "fleet", [*entries, *anew[:5]])
    wholes = whole_of_all(tmp_path / "fleet", ME)
    assert {(one.journal == "anew", one.entries) for one in wholes} == {
        (True, 5), (False, len(entries)),
    }  # fmt: skip


def test_units_are_kept_apart_and_found_by_name(source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    entry = published(source)[0]
    copies = Copies(folder)
    copies.take([good(entry, "shop-a"), good(entry, "shop-b")])
    copies.take([good(entry.model_copy(update={"unit": "unit-2"}), "shop-a")])
    copies.close()
    assert units_of(folder) == [("shop-a", "unit-1"), ("shop-a", "unit-2"), ("shop-b", "unit-1")]
    assert unit_of(folder, "unit-2") == ("shop-a", "unit-2")
    assert unit_of(folder, "shop-b/unit-1") == ("shop-b", "unit-1")
    with pytest.raises(NoCopyError, match="several sites"):
        unit_of(folder, "unit-1")
    with pytest.raises(NoCopyError, match="there are: shop-a/unit-1"):
        unit_of(folder, "unit-9")
    with pytest.raises(NoCopyError, match="fleet keep"):
        unit_of(tmp_path / "nothing", "unit-1")


# --- hostile ----------------------------------------------------------------------------------


def test_what_contradicts_the_copy_is_refused_alone(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    size = len(entries)
    start = next(e for e in entries if e.kind == "start")
    end = next(e for e in entries if e.kind == "end")
    block = next(e for e in entries if isinstance(e, RunSamples))

    uuid = start.id.rpartition("-")[0]

    def numbered(entry: AnyEntry, number: int, **more: object) -> AnyEntry:
        return entry.model_copy(update={"id": f"{uuid}-{number}"} | more)

    strange = [
        numbered(start, size + 1), numbered(end, size + 2),
        numbered(block, size + 3, ticks=tuple(reversed(block.ticks))),
    ]  # fmt: skip
    mixed = [*entries, *strange, numbered(ps.event(1, run=None), size + 4)]
    assert len(taken(tmp_path / "fleet", mixed, at_once=500)) == 3
    for reader in opened(tmp_path / "fleet", ME):
        assert [row.entry for row in reader.outbox_after(0, size)] == entries
        assert reader.last_number() == size + 4
    # where it comes before the start of its run it waits, and is said to be no part of it
    assert taken(tmp_path / "late", [strange[2], *entries]) == []
    for reader in opened(tmp_path / "late", ME):
        run = reader.run("20260302-070000-aaaa")
        assert run is not None
        assert doubts_of(reader, run) == [
            "1 entries contradict it and are no part of what is shown"
        ]


def test_two_units_that_go_on_from_one_journal_are_not_mixed_in_silence(
    source: Path, tmp_path: Path
) -> None:
    """A card was copied: both give the same numbers from there on. What came first is kept."""
    entries = published(source)
    other = [
        entry.model_copy(update={"at_utc": entry.at_utc + timedelta(seconds=17)})
        for entry in entries
    ]
    shared, own = entries[:10], other[10:]
    assert taken(tmp_path / "fleet", [*entries, *shared]) == []
    refused = taken(tmp_path / "fleet", own)
    assert len(refused) == len(own) and all("two units write under one name" in r for r in refused)
    (path,) = files_of(tmp_path / "fleet", *ME)
    assert contents(path) == contents(source)
    waiting = [e for e in entries if e.run_id is not None and not isinstance(e, RunStart)]
    late = tmp_path / "late"
    assert taken(late, waiting) == [] and taken(late, waiting) == []
    assert len(taken(late, [other[entries.index(e)] for e in waiting])) == len(waiting)


def test_made_up_journals_units_and_holes_are_bounded(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copies_module, "MOST_JOURNALS", 3)
    monkeypatch.setattr(copies_module, "MOST_UNITS", 2)
    monkeypatch.setattr(copies_module, "MOST_OPEN", 2)
    monkeypatch.setattr(copy_module, "MOST_RANGES", 4)
    event = ps.event(1, run=None)
    ids = [f"j{n}-1" for n in range(5)]
    refused = taken(tmp_path / "a", [event.model_copy(update={"id": i}) for i in ids])
    assert len(refused) == 2 and "more than 3 journals" in refused[0]
    units = [event.model_copy(update={"unit": f"u{n}"}) for n in range(4)]
    assert len(taken(tmp_path / "b", units)) == 2
    odd = [event.model_copy(update={"id": f"j-{n}"}) for n in (1, 3, 5, 7, 9, 11, 8, 2)]
    refused = taken(tmp_path / "c", odd, at_once=1)
    assert len(refused) == 2 and "holes" in refused[0]
    (whole,) = whole_of_all(tmp_path / "c", (SITE, ps.UNIT))
    assert holes_left(whole.missing) == [4, 6]


def holes_left(missing: Ranges) -> list[int]:
    return [n for first, last in missing for n in range(first, last + 1)]


def test_a_damaged_copy_stops_no_other(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    folder = tmp_path / "fleet"
    taken(folder, entries[:3])
    (path,) = files_of(folder, *ME)
    path.write_bytes(b"no database at all" * 100)
    copies = Copies(folder)
    other = entries[0].model_copy(update={"unit": "unit-2"})
    refused = copies.take([good(entries[3]), good(other)])
    assert [one.whose.unit for one in refused] == [UNIT]
    assert copies.held(ME) == {} and copies.held((SITE, "unit-2")) != {}
    copies.close()
    assert whole_of_all(folder, ME) == [] and plates_of(folder, ME, 5) == []


def test_a_reader_sees_a_copy_while_it_is_written(source: Path, tmp_path: Path) -> None:
    entries = published(source)
    copies = Copies(tmp_path / "fleet")
    copies.take([good(entry) for entry in entries[:10]])
    (path,) = files_of(tmp_path / "fleet", *ME)
    with JournalReader.open(path) as reader:
        copies.take([good(entry) for entry in entries[10:]])
        assert holes(((1, reader.last_number()),)) == () and reader.last_number() == len(entries)
    copies.close()
