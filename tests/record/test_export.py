"""Runs leave the journal as CSV and JSON, and as a picture, without changing."""

import csv
import io
import json
import math
from pathlib import Path

import numpy as np
import pytest

from platelink.record.export import run_to_csv, run_to_json
from platelink.record.plot import plot, plotted
from platelink.record.stored import RunRecord
from platelink.runs import Channel, RunChannels, RunEvent, RunStart, SampleBlock
from record.make import T0, UNIT, block, channels, event, journal_at, later, start


@pytest.fixture
def run(tmp_path: Path) -> tuple[RunRecord, list[RunEvent], SampleBlock]:
    with journal_at(tmp_path / "journal.db") as journal:
        journal.append(start(journal, operator="A", note='says "ok", twice\r\nthen — goes'))
        journal.append(channels(journal))
        journal.append(event(journal, name="lamp on", ticks=1000))
        journal.append_samples("r1", block(20), later(1))
        journal.end_run("r1", later(2), "complete", "dose reached", dose_mj_cm2=1.0)
        record = journal.reader.run("r1")
        assert record is not None
        return record, journal.reader.events("r1"), journal.reader.samples("r1")


def test_csv_reads_back_to_the_bit(run) -> None:
    record, _, samples = run
    text = run_to_csv(record, samples)
    lines = text.split("\r\n")
    assert lines[0] == (
        "at_utc,ticks,irradiance_mw_cm2 [mW/cm²],vacuum_kpa [kPa],light_sum_0,light_count_0"
    )
    assert lines[1].startswith("2026-03-02T08:00:00.000Z,1000,12.0,")
    assert lines[-1] == "" and "\n" not in text.replace("\r\n", "")
    read = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(read) == 20
    for i, row in enumerate(read):
        assert int(row["ticks"]) == samples.ticks[i]
        assert int(row["light_sum_0"]) == samples.raw["light_sum_0"][i]
        vacuum = row["vacuum_kpa [kPa]"]
        stored = samples.values["vacuum_kpa"][i]
        assert (vacuum == "") if math.isnan(stored) else (float(vacuum) == stored)


def test_csv_quotes_names_and_keeps_whole_64_bit_numbers() -> None:
    name = 'odd, "name"'
    common = {"run_id": "r1", "unit": UNIT, "at_utc": T0}
    described = RunChannels(**common, id="x-2", channels=(Channel(name=name, unit="1"),))
    record = RunRecord(RunStart(**common, id="x-1", step="film"), described, None)
    one = SampleBlock(
        np.array([-5], np.int64),
        np.array([1], np.int64),
        {"sum": np.array([2**64 - 1], np.uint64)},
        {name: np.array([0.1])},
    )
    # By RFC 4180, rules 6 and 7: fields with commas or quotes in quotes, quotes doubled.
    assert run_to_csv(record, one) == (
        'at_utc,ticks,"odd, ""name""",sum\r\n'
        "1970-01-01T00:00:00.001Z,-5,0.1,18446744073709551615\r\n"
    )
    assert json.loads(run_to_json(record, [], one))["samples"]["raw"]["sum"] == [2**64 - 1]


def test_json_holds_everything(run) -> None:
    record, events, samples = run
    document = json.loads(run_to_json(record, events, samples, indent=1))
    assert RunStart.model_validate(document["start"]) == record.start
    assert RunChannels.model_validate(document["channels"]) == record.channels
    assert [RunEvent.model_validate(e) for e in document["events"]] == events
    assert document["end"]["dose_mj_cm2"] == 1.0
    columns = document["samples"]
    assert columns["ticks"] == samples.ticks.tolist()
    assert columns["raw"]["light_sum_0"] == samples.raw["light_sum_0"].tolist()
    vacuum = np.array([math.nan if x is None else x for x in columns["values"]["vacuum_kpa"]])
    assert vacuum.tobytes() == samples.values["vacuum_kpa"].tobytes()


# --- plots -------------------------------------------------------------------------------------

T_S = np.linspace(0.0, 60.0, 1201)


def rows_of(text: str, bar: str) -> list[str]:
    """The picture of a plot, without labels, each row padded to the widest."""
    rows = [line.split(bar, 1)[1] for line in text.splitlines() if bar in line]
    return [row.ljust(max(map(len, rows))) for row in rows]


def test_ascii_plot_of_a_ramp() -> None:
    text = plot(T_S, T_S / 6.0, title="irradiance [mW/cm²]", width=32, height=5, ascii_only=True)
    assert text.isascii()
    lines = text.splitlines()
    assert lines[0] == "irradiance [mW/cm2]"
    assert lines[1].startswith("        10 |") and lines[5].startswith("         0 |")
    assert lines[-1].split() == ["0.0", "s", "60.0", "s"]
    picture = rows_of(text, "|")
    filled = [[x for x, dot in enumerate(row) if dot == "*"] for row in picture]
    assert all(filled)
    assert sorted({x for row in filled for x in row}) == list(range(20))  # no column empty
    assert [row[0] for row in filled] == sorted((row[0] for row in filled), reverse=True)


def test_braille_dots_are_unicodes() -> None:
    # Unicode's dot numbering (block U+2800): left column 1, 2, 3, 7 from the top, right 4, 5, 6, 8.
    # Two columns of two values: left from top to bottom, right at the bottom only.
    t_s, values = np.array([0.0, 0.0, 1.0]), np.array([3.0, 0.0, 0.0])
    picture = rows_of(plot(t_s, values, width=13, height=1), "│")
    assert picture == [chr(0x2800 + 0b11000111)]


def test_short_dip_is_seen_and_missing_values_are_empty() -> None:
    values = np.full(1201, 80.0)
    values[700] = 40.0
    values[200:400] = np.nan
    picture = rows_of(plot(T_S, values, width=72, height=6, ascii_only=True), "|")
    assert [row.count("*") for row in picture[1:]] == [1] * 5  # the dip, one column wide
    assert picture[0][:10] == "*" * 10 and set(picture[0][11:19]) == {" "}


@pytest.mark.parametrize("width", [30, 80, 133])
def test_lines_keep_to_the_width(width: int) -> None:
    values = 1234.5678 * np.sin(T_S)
    for ascii_only in (False, True):
        lines = plot(T_S, values, title="t" * 200, width=width, ascii_only=ascii_only).splitlines()
        assert max(map(len, lines)) <= width
        assert len(lines) == 8 + 2


def test_constant_single_and_absent_values() -> None:
    flat = rows_of(plot(T_S, np.full(1201, 5.0), width=30, height=3, ascii_only=True), "|")
    assert flat[-1] == "*" * 18
    single = plot(np.array([0.0]), np.array([1.0]), width=30, ascii_only=True)
    assert single.count("*") == 1
    assert "no values" in plot(T_S, np.full(1201, np.nan), width=30)


def test_what_was_recorded_is_plotted(run) -> None:
    _, _, samples = run
    assert plotted(samples) == ["irradiance_mw_cm2", "vacuum_kpa"]
    assert plot(T_S, np.full(1201, 5.0), title="2 mW/cm² at 20 °C", ascii_only=True).isascii()
