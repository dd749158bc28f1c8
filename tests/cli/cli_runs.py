"""Invented runs for the tests of the command line, whose stored sums give the recorded dose."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner, Result

from platelink.cli import main
from platelink.record.journal import Journal
from platelink.runs import Channel, RunChannels, RunEvent, RunStart, SampleBlock

UNIT = "unit-1"
T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
GOOD, WRONG, OPEN = "20260302-070000-aaaa", "20260302-080000-bbbb", "20260303-070000-cccc"
DARK, SLOPE, LIGHT_MW_CM2, LIGHT_S, FRAME = 20.0, 0.0125, 10.0, 34.0, 50
LIGHT = {
    "channels": [{"name": "head-1", "dark_counts": DARK, "slope_mw_cm2_per_count": SLOPE}],
    "reciprocity_p": 1.0,
}

CALIBRATIONS = [
    {"sensor": "light 0", "calibration": "light 0@3", "made_on": "2026-01-15",
     "due_on": "2027-01-15", "instrument": "hand meter", "certificate": "EX-117", "u": 0.71,
     "unit": "mW/cm²", "approved_by": "B. Example"},
    {"sensor": "vacuum", "calibration": "as configured", "made_on": None, "due_on": None},
]  # fmt: skip

MINIMAL = """
format = 1
[unit]
name = "unit-1"
[link]
port = "/dev/no-such-port"
[light]
expected_mw_cm2 = 12
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = 0.0149
calibrated_on = 2026-01-15
due_on = 2126-01-15
[journal]
path = "journal.sqlite"
"""


def samples(*, more: float = 0.0) -> SampleBlock:
    """Dark for 0.5 s, 10 mW/cm² for 34 s, dark again: 10 · 34 = 340 mJ/cm². ``more``: light that
    the sums hold and the dose does not, mW/cm²."""
    dark, lit = 10, round(LIGHT_S * 1000 / FRAME)
    on = np.concatenate([np.zeros(dark), np.ones(lit), np.zeros(dark)])
    counts = DARK + on * (LIGHT_MW_CM2 + more) / SLOPE
    sums = np.concatenate([[0.0], np.cumsum(counts * FRAME)])
    dose = np.concatenate([[0.0], np.cumsum(on * LIGHT_MW_CM2 * FRAME / 1000.0)])
    index = np.arange(len(sums))
    return SampleBlock(
        ticks=(1000 + index * FRAME).astype(np.int64),
        at_utc_ms=(round(T0.timestamp() * 1000) + index * FRAME).astype(np.int64),
        raw={
            "light_sum_0": np.rint(sums).astype(np.uint64),
            "light_count_0": (index * FRAME).astype(np.uint64),
        },
        values={
            "irradiance_mw_cm2": np.concatenate([[0.0], on]) * LIGHT_MW_CM2,
            "dose_mj_cm2": dose,
            "vacuum_kpa": np.where(index % 7 == 3, math.nan, 80.0),
            "tick_s": np.full(len(index), 1e-3),
        },
    )


def add_run(journal: Journal, run_id: str, block: SampleBlock, *, begun_s: float = 0.0,
            ended: bool = True, **fields: Any) -> None:  # fmt: skip
    """One run that claims 340 mJ/cm²."""
    at = T0 + timedelta(seconds=begun_s)

    def common(seconds: float = 0.0) -> dict[str, Any]:
        return {"id": journal.next_id(), "run_id": run_id, "unit": UNIT,
                "at_utc": at + timedelta(seconds=seconds)}  # fmt: skip

    given = {"step": "film", "target_dose_mj_cm2": 340.0, "operator": "A. Example",
             "plate": "P-17", "request": {"dose": "340 mJ/cm2", "contact": True},
             "conditions": {"light": LIGHT, "calibrations": CALIBRATIONS,
                            "learned": {"afterglow_s": 0.0047},
                            "config": {"unit": {"name": UNIT, "lamps": "wired"}}}}  # fmt: skip
    journal.append(RunStart(**common(), **(given | fields)))
    described = [Channel(name=name, unit="1") for name in block.values]
    journal.append(RunChannels(**common(), channels=tuple(described)))
    journal.append(RunEvent(**common(0.5), name="lamp on", text="lamps on, order 1", ticks=1500))
    journal.append(
        RunEvent(**common(0.6), name="strange", data={"vacuum_kpa": math.nan, "order": 1})
    )
    journal.append_samples(run_id, block, at)
    if ended:
        journal.end_run(run_id, at + timedelta(seconds=35.2), "complete", "target dose reached",
                    dose_mj_cm2=340.0, device_dose_mj_cm2=339.9, light_s=34.0)  # fmt: skip


def make_journal(path: Path) -> Path:
    """A good run, one whose sums were raised by 1 % of its light, and one without an end."""
    with Journal.open(path, unit=UNIT, new_uuid="6b5fd8a0-0000-4000-8000-000000000002",
                      ballast_bytes=64 << 10) as journal:  # fmt: skip
        add_run(journal, GOOD, samples())
        add_run(journal, WRONG, samples(more=0.1), begun_s=3600.0, step="screen", plate="P-18")
        add_run(journal, OPEN, samples(), begun_s=86_400.0, ended=False, operator=None)
    return path


def run(*arguments: object, charset: str = "utf-8", **options: Any) -> Result:
    """The command line in this process; anything but an orderly end is raised."""
    result = CliRunner(charset=charset).invoke(
        main, [str(a) for a in arguments], prog_name="platelink", **options
    )
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result
