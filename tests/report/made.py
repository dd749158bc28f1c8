"""A sealed plate of every kind of step, and what was said of it afterwards. All is invented."""

from __future__ import annotations

import functools
import shutil
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

from control.procedure.plate_bench import short
from evidence.made import UNIT

from platelink.daemon.journaling import Journaling
from platelink.events.event import Event
from platelink.events.steps import PlateCorrected, PlateNoted
from platelink.events.unit import AlarmMoved, DoseCorrected
from platelink.record.journal import Journal
from platelink.record.writer import JournalWriter
from platelink.runs import RunEvent
from platelink.simulated.plates import make, unit_for_plates

PLATE = "plate-1"
NOTE = "Kante links nachgeschliffen · حافة اليسار"


def alarm(number: int, **more: object) -> AlarmMoved:
    return AlarmMoved(
        **{
            "alarm": "vacuum low", "priority": "high", "group": "bed", "from_": "normal",
            "to": "unacknowledged", "act": "", "value": 41.0 + number, "limit": 56.0, "unit": "kPa",
            "since_utc_ms": None, "until_utc_ms": None, "first_out": True, "who": None, "why": None,
            "of_run": "run-2", "plate": PLATE,
        } | more
    )  # fmt: skip


class Writer:
    def __init__(self, path: Path) -> None:
        self.journal = Journal.open(path, unit=UNIT, new_uuid="0123456789abcdef",
                                    ballast_bytes=4096)  # fmt: skip

    def said(self, at_utc: datetime, event: Event, text: str = "invented") -> None:
        self.journal.append(RunEvent(
            id=self.journal.next_id(), run_id=None, unit=UNIT, at_utc=at_utc, name=event.name,
            data=event.data(), text=text,
        ))  # fmt: skip


@functools.cache
def _template() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="platelink-report-"))
    writer, simulation = Writer(folder / "journal.sqlite"), unit_for_plates()
    with writer.journal as journal:
        make(simulation, short(), PLATE)
        journaling = Journaling(JournalWriter(journal), UNIT)
        for output in simulation.outputs:
            journaling.write([output], now=simulation.now)
        run = journal.reader.run(PLATE)
        assert run is not None and run.end is not None
        film = journal.reader.parts(PLATE)[0]
        after = run.end.at_utc + timedelta(minutes=5)
        writer.said(film.start.at_utc + timedelta(seconds=1), alarm(1))
        writer.said(after, DoseCorrected("run-2", 60.0, 0.2, 61.25, 0.0))
        writer.said(after, PlateNoted(PLATE, NOTE, "invented-lead"))
        writer.said(after, PlateCorrected(
            PLATE, "job", "invented-job", "invented-job-2", "invented-lead", "wrong label"
        ))  # fmt: skip
    return folder


def folder_of_one(folder: Path) -> Path:
    """A copy of the journal of that plate."""
    shutil.copytree(_template(), folder, dirs_exist_ok=True)
    return folder
