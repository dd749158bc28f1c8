"""What a recorder holds, as ranges: the same as a set of numbers, and bounded."""

from __future__ import annotations

import itertools
from contextlib import contextmanager

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.ledger.database import Database
from platelink.publish import holdings as module
from platelink.publish.holdings import Holdings
from platelink.publish.recorder_schema import RECORDER


@contextmanager
def opened(path):
    database = Database(path, RECORDER, read_only=False)
    try:
        yield database, Holdings(database)
    finally:
        database.close()


def take(holdings: Holdings, site: str, unit: str, entry_id: str, *, utc_ms: int = 1) -> bool:
    """Whether it is new; what memory knows is written down now and then."""
    new = not holdings.holds(site, unit, entry_id)
    if new:
        holdings.take(site, unit, entry_id, utc_ms=utc_ms)
    assert holdings.holds(site, unit, entry_id)
    if utc_ms % 3 == 0:
        holdings.settle(utc_ms=utc_ms)
    if utc_ms % 5 == 0:
        holdings.settle(utc_ms=utc_ms)
        holdings.mistrust()
    return new


def ranges(database: Database) -> list[tuple[int, int]]:
    return database.rows("SELECT first, last FROM held ORDER BY source, first")


@settings(max_examples=60, deadline=None)
@given(numbers=st.lists(st.integers(0, 25), max_size=60))
def test_ranges_hold_what_a_set_holds(numbers, tmp_path_factory):
    known: set[int] = set()
    with opened(tmp_path_factory.mktemp("h") / "r.db") as (database, holdings):
        for at, number in enumerate(numbers):
            assert take(holdings, "s", "u", f"j-{number}", utc_ms=at) == (number not in known)
            known.add(number)
        holdings.settle(utc_ms=99)
        found = ranges(database)
    assert {n for first, last in found for n in range(first, last + 1)} == known
    assert all(b[0] > a[1] + 1 for a, b in itertools.pairwise(found))  # none touches


def test_an_entry_is_known_under_its_own_site_and_unit_only(tmp_path):
    with opened(tmp_path / "r.db") as (_, holdings):
        assert take(holdings, "s", "u", "j-1")
        assert take(holdings, "s", "v", "j-1")
        assert take(holdings, "t", "u", "j-1")
        assert not take(holdings, "s", "u", "j-1")


def test_a_flood_of_ids_is_forgotten_and_others_are_not(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "SOURCES_KEPT", 3)
    monkeypatch.setattr(module, "RANGES_KEPT", 4)
    with opened(tmp_path / "r.db") as (database, holdings), database.transaction():
        holdings.take("s", "u", "honest-1", utc_ms=1)
        for n in range(20):
            holdings.take("s", "v", f"a/b{n}-1", utc_ms=100 + n)
            holdings.take("s", "v", f"sparse-{2 * n}", utc_ms=1000 + n)
        holdings.forget()
        names = [name for (name,) in database.rows("SELECT name FROM source ORDER BY name")]
        assert names == ["s/u/honest", "s/v/a/b18", "s/v/a/b19", "s/v/sparse"]
        assert ranges(database)[1:5] == [(32, 32), (34, 34), (36, 36), (38, 38)]


@pytest.mark.parametrize("entry_id", ["lonely", "x-12y", "-5", "j-" + "9" * 16, "j-²"])
def test_an_id_of_another_form_is_a_journal_with_one_entry(entry_id, tmp_path):
    with opened(tmp_path / "r.db") as (database, holdings):
        assert take(holdings, "s", "u", entry_id)
        assert not take(holdings, "s", "u", entry_id)
        assert ranges(database) == [(0, 0)]
