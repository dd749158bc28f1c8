"""What a plate takes of the disk, and the warning before it is full."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import pytest
from control.procedure.plate_bench import short
from daemon.test_retaining import DAY_1, Shop, make
from evidence.made import UNIT

from platelink.config.load import load
from platelink.daemon.journaling import Journaling
from platelink.doctor.growth import Growth, growth, growth_of, kept_samples
from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.reader import JournalReader
from platelink.record.writer import JournalWriter
from platelink.simulated.plates import make as make_plate
from platelink.simulated.plates import unit_for_plates

GB = 1_000_000_000


def used(path):
    """Bytes of the file that hold something, by SQLite's own count."""
    with JournalReader.open(path) as reader:
        ((free, page),) = reader.rows(
            "SELECT freelist_count, page_size FROM pragma_freelist_count, pragma_page_size"
        )
    return path.stat().st_size - free * page


@pytest.mark.parametrize("packed", [False, True])
def test_the_bytes_of_a_plate_are_what_the_file_grows_by(tmp_path, packed):
    path = tmp_path / "journal.sqlite"
    sizes = []
    with Journal.open(path, unit=UNIT, new_uuid="0" * 16, ballast_bytes=4096) as journal:
        for plate in range(6):
            simulation = unit_for_plates()
            make_plate(simulation, short(), f"plate-{plate}")
            journaling = Journaling(JournalWriter(journal), UNIT)
            for output in simulation.outputs:
                run_id, made = getattr(output, "run_id", None), output
                if run_id and not run_id.startswith("plate"):
                    made = dataclasses.replace(output, run_id=f"{plate}-{run_id}")
                journaling.write([made], now=simulation.now)
            packer = Packer(journal.beside)
            while packed and packer.step():
                pass
            journal.checkpoint(quiet=True)
            sizes.append(used(path))
        with JournalReader.open(path) as reader:
            found = growth_of(reader)
    each = (sizes[-1] - sizes[0]) / 5
    assert found.made == 6
    assert found.bytes_each == pytest.approx(each, rel=0.15)


def test_days_left_follow_from_the_rate_and_what_is_free():
    made = Growth(made=280, days=28.0, bytes_each=200_000.0, reusable=0)  # 2 MB a day
    assert made.left_days(100_000_000 + 2_000_000_000) == pytest.approx(1000.0)
    assert made.left_days(100_000_000) == 0.0 and made.left_days(0) == 0.0
    again = dataclasses.replace(made, reusable=20_000_000)
    assert again.left_days(100_000_000) == pytest.approx(10.0)
    assert dataclasses.replace(made, days=6.9).left_days(GB) is None


def test_it_warns_before_the_disk_is_full(tmp_path):
    shop = Shop(tmp_path)
    shop.close()
    with JournalReader.open(shop.places.journal) as reader:
        found = growth_of(reader)
    a_day = found.made * found.bytes_each / found.days
    assert (found.made, found.days) == (29, 28.0)
    for days, health in ((1000, "ok"), (181, "ok"), (179, "notice"), (31, "notice"), (29, "wrong")):
        free = round(100_000_000 + days * a_day - found.reusable)
        told = growth(shop.places.journal, free_at=lambda place, free=free: free)
        assert told.health == health, days
        assert f"the disk lasts {days} days at this rate" in told.measured
        assert ("keep_samples_days" in told.advice) == (health != "ok")
    told = growth(shop.places.journal, free_at=lambda place: 10**15)
    assert "more than 100 years" in told.measured


def test_a_clock_that_jumped_makes_no_slow_rate(tmp_path):
    """Ten exposures a day for a week, and a clock set ten years ahead in the middle."""
    path = tmp_path / "journal.sqlite"
    with Journal.open(path, unit=UNIT, new_uuid="0" * 16, ballast_bytes=4096) as journal:
        for number in range(80):
            ahead = timedelta(days=3650 if number >= 40 else 0)
            make(journal, f"r{number}", DAY_1 + ahead + timedelta(hours=2.4 * number), rows=20)
    with JournalReader.open(path) as reader:
        found = growth_of(reader)
    assert found.made == 80 and found.days < 13.0


def test_of_a_young_or_missing_journal_no_forecast_is_made(tmp_path):
    path = tmp_path / "journal.sqlite"
    assert growth(path).measured == "nothing was made yet"
    with Journal.open(path, unit=UNIT, new_uuid="0" * 16, ballast_bytes=4096) as journal:
        assert growth(path).measured == "nothing was made yet"
        make(journal, "r1", DAY_1)
    told = growth(path)
    assert told.health == "ok" and "too short a time for a forecast" in told.measured
    path.write_bytes(b"no journal")
    assert growth(path).health == "wrong"


def test_what_the_rule_for_samples_waits_for_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("platelink.evidence.retention.NEWEST_KEPT", 5)
    shop = Shop(tmp_path)
    assert list(kept_samples(load(shop.config))) == []
    text = shop.config.read_text("utf-8").replace("[journal]", "[journal]\nkeep_samples_days = 90")
    shop.config.write_text(text, "utf-8")
    (told,) = kept_samples(load(shop.config))
    assert (told.health, told.advice) == ("notice", "platelink backup")
    assert "no backup has them" in told.measured
    shop.backup()
    (told,) = kept_samples(load(shop.config))
    assert told.health == "ok"
    shop.close()
