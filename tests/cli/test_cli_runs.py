"""Listing, exporting and checking runs of a journal."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest
from cli_runs import GOOD, MINIMAL, OPEN, WRONG, add_run, make_journal, run, samples

from platelink.cli.tables import NO_TERMINAL, Column, table
from platelink.record.journal import Journal


@pytest.fixture(scope="module")
def journal(tmp_path_factory) -> Path:
    return make_journal(tmp_path_factory.mktemp("runs") / "journal.sqlite")


def ids(journal: Path, *arguments: str) -> list[str]:
    result = run("runs", "--journal", journal, "--json", *arguments)
    return [line["run_id"] for line in json.loads(result.stdout)["runs"]]


# --- runs -----------------------------------------------------------------------------------------


def test_list_is_newest_first_with_state_dose_and_difference(journal: Path) -> None:
    result = run("runs", "--journal", journal)
    head, *lines = result.stdout.splitlines()
    assert head.split()[:4] == ["RUN", "BEGUN", "STEP", "STATE"]
    assert [line.split()[0] for line in lines] == [OPEN, WRONG, GOOD]
    assert "open" in lines[0] and "A. Example" not in lines[0]
    assert "340.00 mJ/cm²  340.00 mJ/cm²  +0.00 %       –      –  34.0 s  P-17" in lines[2]


def test_list_as_json(journal: Path) -> None:
    told = json.loads(run("runs", "--journal", journal, "--json").stdout)
    assert (told["journal"], told["unit"], told["more"]) == (str(journal), "unit-1", False)
    newest, _, oldest = told["runs"]
    assert newest["state"] == "open" and newest["dose_mj_cm2"] is newest["ended_utc"] is None
    assert oldest["begun_utc"] == "2026-03-02T07:00:00.000+00:00"
    assert (oldest["dose_mj_cm2"], oldest["difference_pct"]) == (340.0, 0.0)
    assert (oldest["samples"], oldest["events"]) == (701, 2)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--step", "screen"], [WRONG]),
        (["--plate", "P-17"], [OPEN, GOOD]),
        (["--operator", "A. Example"], [WRONG, GOOD]),
        (["--state", "open"], [OPEN]),
        (["--state", "aborted"], []),
        (["--since", "2026-03-02T08:00:00Z"], [OPEN, WRONG]),
        (["--until", "2026-03-02T08:00:00Z"], [GOOD]),
        (["--since", "2026-03-02T10:00+02:00", "--until", "2026-03-02T09:00Z"], [WRONG]),
        (["--limit", "1"], [OPEN]),
    ],
)
def test_filters(journal: Path, arguments: list[str], expected: list[str]) -> None:
    assert ids(journal, *arguments) == expected


def test_dates_are_whole_days_of_the_local_zone(journal: Path, monkeypatch) -> None:
    # 2026-03-02T07:00Z and 08:00Z are the 1st, 20:00 and 21:00, in a zone 11 h behind.
    monkeypatch.setenv("TZ", "XXX+11")
    import time

    time.tzset()
    try:
        assert ids(journal, "--since", "2026-03-01", "--until", "2026-03-01") == [WRONG, GOOD]
        assert ids(journal, "--since", "2026-03-02") == [OPEN]
        assert "2026-03-01 20:00:00" in run("runs", "--journal", journal).stdout
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("text", ["2026-03-02T08:00", "2026-03-02 08:00:00"])
def test_a_time_without_zone_is_refused(journal: Path, text: str) -> None:
    result = run("runs", "--journal", journal, "--since", text)
    assert result.exit_code == 2
    assert "has no time zone" in result.stderr and f"{text}Z" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [["--since", "yesterday"], ["--limit", "0"], ["--state", "done"],
     ["--since", "2026-03-03", "--until", "2026-03-01"]],
)  # fmt: skip
def test_wrong_filters_are_refused(journal: Path, arguments: list[str]) -> None:
    assert run("runs", "--journal", journal, *arguments).exit_code == 2


def test_more_runs_than_the_limit_are_said(journal: Path) -> None:
    assert "only the newest 2" in run("runs", "--journal", journal, "--limit", "2").stdout
    assert "only the newest" not in run("runs", "--journal", journal, "--limit", "3").stdout
    assert json.loads(run("runs", "--journal", journal, "--limit", "2", "--json").stdout)["more"]


def test_nothing_found(journal: Path) -> None:
    result = run("runs", "--journal", journal, "--step", "none")
    assert (result.exit_code, result.stdout) == (0, f"no run in {journal} matches; drop a filter\n")


@pytest.mark.parametrize("width", [58, 80, 100, 120])
def test_the_table_fits_the_terminal(journal: Path, width: int) -> None:
    lines = run("runs", "--journal", journal, env={"COLUMNS": str(width)}).stdout.splitlines()
    assert max(map(len, lines)) <= width
    assert all(word in lines[0] for word in ("RUN", "STATE", "DOSE"))


def test_columns_are_cut_then_left_out() -> None:
    heads = [Column("A"), Column("TEXT", least=5, spare=1), Column("LAST", spare=2)]
    rows = [["x", "abcdefgh", "1"], ["y", "", "2"]]
    full = "A  TEXT      LAST\nx  abcdefgh  1\ny            2"
    assert table(heads, rows, NO_TERMINAL) == full
    for width, shown, hidden in (
        (11, "A  TEXT\nx  abcdefgh\ny", "LAST"),
        (9, "A  TEXT\nx  abcde…\ny", "LAST"),
        (7, "A  LAST\nx  1\ny  2", "TEXT"),
    ):
        text, _, note = table(heads, rows, width).partition("\nnot")
        assert text == shown
        assert f" {hidden};" in " ".join(note.split())


def test_a_terminal_cannot_be_commanded_by_a_plate(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
        add_run(journal, GOOD, samples(), plate="P\x1b[2J\n1", note="\x07")
    assert "\x1b" not in run("runs", "--journal", path).stdout
    shown = run("show", "last", "--no-plot", "--journal", path).stdout
    assert "\x1b" not in shown and "\x07" not in shown and "plate" in shown


# --- which run ------------------------------------------------------------------------------------


def test_a_run_is_named_by_its_beginning_or_as_the_last(journal: Path) -> None:
    for name, found in (("20260303", OPEN), ("last", OPEN), (GOOD, GOOD), (GOOD[:12], GOOD)):
        told = json.loads(run("show", name, "--journal", journal, "--json").stdout)
        assert told["run"]["run_id"] == found


@pytest.mark.parametrize("command", ["show", "export", "check"])
def test_a_run_that_is_not_one_is_refused(journal: Path, command: str) -> None:
    unknown = run(command, "2025", "--journal", journal)
    assert unknown.exit_code == 2
    assert "begins with '2025'" in unknown.stderr and "platelink runs" in unknown.stderr
    several = run(command, "20260302", "--journal", journal)
    assert several.exit_code == 2
    assert f"'20260302' matches {GOOD}, {WRONG}" in several.stderr


def test_wildcards_of_the_database_mean_nothing(journal: Path) -> None:
    assert run("show", "%", "--journal", journal).exit_code == 2


# --- journals that cannot be read -----------------------------------------------------------------


@pytest.mark.parametrize("command", ["runs", "show last", "export last", "check --all"])
def test_journals_that_cannot_be_read(tmp_path: Path, command: str) -> None:
    text = tmp_path / "text.sqlite"
    text.write_text("this is no database, whatever its name says " * 100)
    newer = make_journal(tmp_path / "newer.sqlite")
    with sqlite3.connect(newer) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()
    for path, expected in (
        (tmp_path / "missing.sqlite", "does not exist"),
        (text, "is not a journal"),
        (newer, "schema version 99"),
    ):
        result = run(*command.split(), "--journal", path)
        assert (result.exit_code, result.stdout) == (1, "")
        assert expected in result.stderr and str(path) in result.stderr


def test_a_journal_that_only_others_may_write_is_read() -> None:
    """As another user where this one is root, who may do everything."""
    code = """
import os, sys, urllib.parse
import platelink.cli.runs, platelink.record.journal
if os.getuid() == 0:
    os.setuid(65534)
assert not os.access(sys.argv[1], os.W_OK)
from platelink.cli import main
main(["check", "last", "--journal", sys.argv[1]])
"""
    directory = Path(tempfile.mkdtemp())
    try:
        path = directory / "journal.sqlite"
        with Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
            add_run(journal, GOOD, samples())
        path.chmod(0o444)
        directory.chmod(0o555)
        done = subprocess.run(
            [sys.executable, "-c", code, path], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert f"run {GOOD}: confirmed" in done.stdout
    finally:
        directory.chmod(0o755)
        shutil.rmtree(directory)


def test_the_journal_of_the_configuration_is_read(tmp_path: Path) -> None:
    make_journal(tmp_path / "journal.sqlite")
    config = tmp_path / "platelink.toml"
    config.write_text(MINIMAL + '[display]\ndose = "J/cm2"\n')
    assert "0.3400 J/cm²" in run("--config", config, "runs").stdout
    assert "0.3400 J/cm²" in run("runs", env={"PLATELINK_CONFIG": str(config)}).stdout


def test_an_empty_journal_has_no_last_run(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096).close()
    result = run("show", "last", "--journal", path)
    assert result.exit_code == 2 and "none yet in" in result.stderr
    assert run("runs", "--journal", path).exit_code == 0
    assert json.loads(run("check", "--all", "--json", "--journal", path).stdout)["checked"] == 0


# --- export ---------------------------------------------------------------------------------------


def test_csv_gives_the_samples_back(journal: Path) -> None:
    text = run("export", GOOD, "--journal", journal).stdout_bytes.decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    block = samples()
    assert len(rows) == len(block)
    assert [int(row["light_sum_0"]) for row in rows] == block.raw["light_sum_0"].tolist()
    vacuum = [float(row["vacuum_kpa"] or "nan") for row in rows]
    assert [math.isnan(x) for x in vacuum] == [i % 7 == 3 for i in range(len(rows))]


def test_json_holds_everything(journal: Path) -> None:
    told = json.loads(run("export", GOOD, "--format", "json", "--journal", journal).stdout)
    assert told["start"]["target_dose_mj_cm2"] == 340.0
    assert told["end"]["state"] == "complete"
    assert told["samples"]["values"]["vacuum_kpa"][3] is None
    opened = json.loads(run("export", OPEN, "--format", "json", "--journal", journal).stdout)
    assert opened["end"] is None and len(opened["samples"]["ticks"]) == 701


def test_export_into_a_file_is_the_same_to_the_byte(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "run.csv"
    target.write_text("older")
    result = run("export", GOOD, "-o", target, "--journal", journal)
    assert (result.exit_code, result.stdout) == (0, "") and "701 samples" in result.stderr
    assert target.read_bytes() == run("export", GOOD, "--journal", journal).stdout_bytes
    assert list(tmp_path.iterdir()) == [target]


def test_export_into_a_pipe_leaves_the_pipe(journal: Path, tmp_path: Path) -> None:
    """As a device: to the user root nothing else would protect it."""
    target, read = tmp_path / "pipe", []
    os.mkfifo(target)
    reader = threading.Thread(target=lambda: read.append(target.read_bytes()))
    reader.start()
    result = run("export", GOOD, "-o", target, "--journal", journal)
    reader.join(10.0)
    assert result.exit_code == 0 and target.is_fifo()
    assert read == [run("export", GOOD, "--journal", journal).stdout_bytes]


def test_export_into_a_full_disk_or_nowhere_leaves_nothing(journal: Path, tmp_path: Path) -> None:
    nowhere = run("export", GOOD, "-o", tmp_path / "no" / "run.csv", "--journal", journal)
    assert nowhere.exit_code == 1 and "cannot be written" in nowhere.stderr
    assert not list(tmp_path.iterdir())


# --- check ----------------------------------------------------------------------------------------


def test_a_good_record_is_confirmed(journal: Path) -> None:
    result = run("check", GOOD, "--journal", journal)
    assert result.exit_code == 0 and f"run {GOOD}: confirmed" in result.stdout
    told = json.loads(run("check", GOOD, "--json", "--journal", journal).stdout)
    # By hand: 10 mW/cm² for 34 s are 340 mJ/cm².
    assert told["ok"] and told["reintegrated_mj_cm2"] == pytest.approx(340.0, rel=1e-9)


def test_sums_that_do_not_give_the_dose_are_found(journal: Path) -> None:
    result = run("check", WRONG, "--journal", journal)
    assert result.exit_code == 1 and "NOT confirmed" in result.stdout
    told = json.loads(run("check", WRONG, "--json", "--journal", journal).stdout)
    # By hand: 0.1 mW/cm² more on 10 is 1 %.
    assert not told["ok"] and told["difference_pct"] == pytest.approx(1.0, rel=1e-6)
    assert "1.000 % apart, limit 0.1 %" in told["problems"][0]


def test_an_unfinished_run_is_not_confirmed(journal: Path) -> None:
    result = run("check", OPEN, "--journal", journal)
    assert result.exit_code == 1 and "the run has no end yet" in result.stdout


def test_all_runs_are_checked_and_open_ones_named(journal: Path) -> None:
    result = run("check", "--all", "--journal", journal)
    assert result.exit_code == 1
    assert "2 runs checked, 1 not confirmed, 1 without end" in result.stdout
    told = json.loads(run("check", "--all", "--json", "--journal", journal).stdout)
    assert (told["ok"], told["checked"], told["failed"]) == (False, 2, 1)
    assert told["unfinished"] == [OPEN]
    assert {r["run_id"]: r["ok"] for r in told["runs"]} == {GOOD: True, WRONG: False}


def test_one_damaged_run_does_not_end_the_check_of_the_others(tmp_path: Path) -> None:
    path = make_journal(tmp_path / "journal.sqlite")
    with sqlite3.connect(path) as database:
        triggers = database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            database.execute(f"DROP TRIGGER {name}")
        database.execute(
            "UPDATE entries SET body = x'00' WHERE kind = 'samples' AND run_id = ?", (WRONG,)
        )
    database.close()
    result = run("check", "--all", "--journal", path)
    assert result.exit_code == 1
    assert f"ok      {GOOD}" in result.stdout and "cannot be read" in result.stdout
    one = run("check", WRONG, "--journal", path)
    assert one.exit_code == 1 and "cannot be read" in one.stderr


def test_check_wants_one_run_or_all(journal: Path) -> None:
    assert run("check", "--journal", journal).exit_code == 2
    assert run("check", GOOD, "--all", "--journal", journal).exit_code == 2


def test_a_dose_that_is_no_number_is_not_confirmed(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
        add_run(journal, GOOD, samples())
    with sqlite3.connect(path) as database:
        triggers = database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            database.execute(f"DROP TRIGGER {name}")
        # JSON has no NaN, but Python's reader takes it: a dark reading that is no number.
        database.execute(
            'UPDATE entries SET body = replace(body, \'"ticks":1500,"data":{}\', '
            '\'"ticks":1500,"data":{"dark_counts_0":NaN}\') WHERE kind = \'event\''
        )
        assert database.execute("SELECT count(*) FROM entries WHERE body LIKE '%NaN%'").fetchone()[
            0
        ]
    database.close()
    result = run("check", GOOD, "--journal", path, "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 1 and not told["ok"] and told["difference_pct"] is None


def test_a_narrow_terminal_says_which_columns_it_does_not_show(journal: Path) -> None:
    narrow = run("runs", "--journal", journal, env={"COLUMNS": "58"}).stdout
    wide = run("runs", "--journal", journal, env={"COLUMNS": "200"}).stdout
    assert "not shown" not in wide
    note = " ".join(narrow[narrow.index("not shown: ") :].split())
    hidden = note.removeprefix("not shown: ").split(";")[0].split(", ")
    assert hidden and not set(hidden) & set(narrow.splitlines()[0].split())
    assert set(hidden) | set(narrow.splitlines()[0].split()) >= set(wide.splitlines()[0].split())


def test_a_fresh_unit_says_what_to_do_next(tmp_path: Path) -> None:
    config = tmp_path / "platelink.toml"
    config.write_text(MINIMAL, "utf-8")
    result = run("--config", config, "runs")
    assert (result.exit_code, "none yet" in result.stdout) == (0, True)
    assert json.loads(run("--config", config, "runs", "--json").stdout)["runs"] == []
