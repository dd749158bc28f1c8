"""What a recorder set aside is said with its reason: nothing else says it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from platelink.doctor.examine import examine
from platelink.doctor.findings import Finding
from platelink.publish.intake import Rejected
from platelink.publish.recorder_journal import RecorderJournal

AT_MS = 1_772_000_000_000
"""2026-02-25 06:13:20 UTC"""


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return tmp_path / "r.sqlite"


def looked(journal: Path) -> list[Finding]:
    file = journal.with_name("recorder.toml")
    file.write_text(
        'format = 1\n[broker]\nhost = "127.0.0.1"\nport = 1\n[store]\nurl = "http://127.0.0.1:1"\n'
        f'[recorder]\npath = "{journal}"\n'
    )
    found = examine(file, recorder=True, quick=True)
    return [finding for finding in found if finding.subject == "set aside"]


def test_nothing_is_said_of_a_journal_that_is_not_there(journal: Path) -> None:
    assert looked(journal) == []


def test_the_newest_reasons_are_said_while_the_recorder_runs(journal: Path) -> None:
    with closing(RecorderJournal(journal)) as running:
        (none,) = looked(journal)
        assert (none.health, none.measured) == ("ok", "no message, and no row")
        reasons = ["oldest", "clock", "clock", "column x", "not an entry"]
        batch = [Rejected(f"platelink/v1/s/u-{n}/event", b"x", r) for n, r in enumerate(reasons)]
        running.commit(batch, utc_ms=AT_MS)
        (some,) = looked(journal)
    assert some.health == "notice" and some.measured == (
        "5 messages and rows; "
        "1, last 2026-02-25 06:13:20 UTC, platelink/v1/s/u-4/event: not an entry; "
        "1, last 2026-02-25 06:13:20 UTC, platelink/v1/s/u-3/event: column x; "
        "2, last 2026-02-25 06:13:20 UTC, platelink/v1/s/u-2/event: clock"
    )
    assert "new [recorder] path" in some.advice


def test_a_journal_that_cannot_be_read_is_said(journal: Path) -> None:
    journal.write_bytes(b"no journal" * 999)
    (found,) = looked(journal)
    assert found.health == "wrong" and "recorder journal" in found.measured
