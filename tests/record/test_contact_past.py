"""What the record tells of the vacuum: complete exposures with contact and without a leak."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from platelink.events.light import ContactHeld, ContactWeaker
from platelink.record.contact import EXPOSURES, contact_in
from platelink.record.journal import Journal
from platelink.runs import SampleBlock
from record.make import T0, event, journal_at, start

FRAMES = 100
HELD = ContactHeld(vacuum_kpa=71.5, pull_down_s=6.0, settles_s=4.5)
WEAKER = ContactWeaker(66.0, 71.5, 2.0, 20.0, 3.0, "creeping")


def samples(first_kpa: float, counting: np.ndarray) -> SampleBlock:
    n = len(counting)
    index = np.arange(n)
    return SampleBlock(
        ticks=(1000 + 50 * index).astype(np.int64),
        at_utc_ms=(int(T0.timestamp() * 1000) + 50 * index).astype(np.int64),
        raw={},
        values={
            "vacuum_kpa": first_kpa + 0.01 * index,
            "tick_s": np.full(n, 1.001e-3),
            "counting": counting.astype(float),
        },
    )


def run(journal: Journal, name: str, *events: object, state: str = "complete") -> None:
    journal.append(start(journal, name))
    for one in events:
        journal.append(event(journal, name, name=one.name, data=one.data()))
    counting = np.arange(FRAMES) >= 20
    journal.append_samples(name, samples(70.0, counting), T0)
    journal.end_run(name, at_utc=T0, state=state, reason="")


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    with journal_at(tmp_path / "journal.sqlite") as opened:
        yield opened


def test_complete_exposures_with_contact_and_no_leak(journal: Journal) -> None:
    run(journal, "good", HELD)
    run(journal, "leaking", HELD, WEAKER)
    run(journal, "stopped", HELD, state="stopped")
    run(journal, "without contact")
    run(journal, "held and restarted", HELD, HELD)
    (found,) = contact_in(journal.reader)
    assert found.held == HELD
    assert len(found.vacuum_kpa) == FRAMES - 20 and found.vacuum_kpa[0] == pytest.approx(70.2)
    assert np.diff(found.t_s) == pytest.approx(0.05005)


def test_the_newest_of_many_oldest_first(journal: Journal) -> None:
    for i in range(EXPOSURES + 3):
        run(journal, f"r{i}", ContactHeld(vacuum_kpa=float(i)))
    found = contact_in(journal.reader)
    assert [one.held.vacuum_kpa for one in found] == [float(i) for i in range(3, EXPOSURES + 3)]


def test_a_run_that_cannot_be_read_is_left_out_and_told(journal: Journal) -> None:
    run(journal, "good", HELD)
    run(journal, "damaged", HELD)
    with journal._db.transaction():
        journal._db._connection.execute("DROP TRIGGER entries_no_update")
        journal._db._connection.execute(
            "UPDATE entries SET body = x'00' WHERE run_id = 'damaged' AND kind = 'samples'"
        )
    told: list[str] = []
    assert len(contact_in(journal.reader, told.append)) == 1
    assert len(told) == 1
