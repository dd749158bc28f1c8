"""All benches as one file: figures read, aims held, two files compared; every file is invented."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from platelink.cli import bench_all, main
from platelink.cli.bench import bench
from platelink.simulated import figures, run_suite
from platelink.simulated.figures import BENCHES, FIGURES
from platelink.simulated.suite import (
    Aim,
    Better,
    Change,
    Compared,
    Figure,
    Machine,
    Ran,
    Suite,
    SuiteError,
    compare,
    read_suite,
    rows,
    value_of,
)

RATE = Figure("rate", "one", "rate", "1/s", Better.HIGHER, Aim(100.0))
RATIO = Figure("ratio", "one", "ratio", "times", Better.HIGHER, of_computer=False, to="a script")
ERROR = Figure("error", "two", "of.*.error", "%", Better.LOWER, Aim(2.0, stated="limit"),
               of_computer=False)  # fmt: skip
SHARE = Figure("share", "two", "share", "%", Better.WITHIN, Aim(90.0, 99.0), of_computer=False)
TABLE = (RATE, RATIO, ERROR, SHARE)
HERE = Machine(processor="invented 1", cores=4, python="3.11.2", system="Linux 6")
GOOD: dict[str, Any] = {
    "one": {"rate": 200.0, "ratio": 5.0},
    "two": {"of": {"a b": {"error": 0.5}, "c": {"error": 1.5}}, "limit": 1.0, "share": 95},
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, list(map(str, arguments)))


def suite(results: dict[str, Any], **changes: Any) -> Suite:
    benches = {
        name: Ran(exit_code=0, seconds=1.0, result=result)
        if isinstance(result, dict)
        else Ran(exit_code=1, seconds=1.0, result=None, reason=result)
        for name, result in results.items()
    }
    whole: dict[str, Any] = {
        "version": "0", "commit": None, "changed": False, "quick": False, "machine": HERE,
        "at_utc": datetime(2026, 3, 2, tzinfo=UTC), "benches": benches,
    }  # fmt: skip
    return Suite(**whole | changes)


def changed(bench_name: str, **values: Any) -> dict[str, Any]:
    return GOOD | {bench_name: GOOD[bench_name] | values}


def test_figures_are_read_where_they_stand_and_the_worst_of_many_is_taken() -> None:
    found = {row.figure: row for row in rows(TABLE, suite(GOOD).benches)}
    assert [found[f.name].value for f in TABLE] == [200.0, 5.0, 1.5, 95.0]
    assert [found[f.name].aim for f in TABLE] == [">= 100", None, "<= 2", "90 to 99"]
    assert [found[f.name].kept for f in TABLE] == [True, None, True, True]
    assert found["ratio"].ratio_to == "a script" and found["rate"].ratio_to is None
    many = Figure("n", "one", "each.#", "", Better.LOWER)
    lowest = Figure("low", "one", "each.*.1", "", Better.HIGHER)
    benches = suite({"one": {"each": [[1, 7], [2, 3], [9]]}}).benches
    assert (value_of(many, benches), value_of(lowest, benches)) == (3.0, 3.0)


@pytest.mark.parametrize(
    ("values", "figure", "kept"),
    [
        (changed("one", rate=100.0), "rate", True), (changed("one", rate=99.9), "rate", False),
        (changed("two", of={"x": {"error": 2.0}}), "error", True),
        (changed("two", of={"x": {"error": 2.1}}), "error", False),
        (changed("two", limit=0.5), "error", False), (changed("two", limit=None), "error", None),
        (changed("two", share=90), "share", True), (changed("two", share=89.9), "share", False),
        (changed("two", share=99.1), "share", False),
    ],
)  # fmt: skip
def test_an_aim_is_kept_to_its_edge(values: dict[str, Any], figure: str, kept: bool | None) -> None:
    assert {r.figure: r.kept for r in rows(TABLE, suite(values).benches)}[figure] is kept


@pytest.mark.parametrize("odd", [None, "12", True, float("nan"), float("inf"), [], {}])
def test_what_is_no_number_is_not_measured_and_keeps_nothing(odd: object) -> None:
    row = rows([RATE], suite(changed("one", rate=odd)).benches)[0]
    assert (row.value, row.kept) == (None, None)


# --- two files ------------------------------------------------------------------------------


def compared(old: Suite, new: Suite, noise: float = 0.1) -> dict[str, Compared]:
    return {one.figure: one for one in compare(TABLE, old, new, noise).figures}


@pytest.mark.parametrize(
    ("values", "figure", "change"),
    [
        (GOOD, "rate", Change.SAME), (changed("one", rate=182.0), "rate", Change.SAME),
        (changed("one", rate=181.0), "rate", Change.WORSE),
        (changed("one", rate=219.0), "rate", Change.SAME),
        (changed("one", rate=221.0), "rate", Change.BETTER),
        (changed("two", of={"a": {"error": 1.6}}), "error", Change.SAME),
        (changed("two", of={"a": {"error": 1.7}}), "error", Change.WORSE),
        (changed("two", of={"a": {"error": 1.0}}), "error", Change.BETTER),
        (changed("two", of={"a": {"error": 0.0}}), "error", Change.BETTER),
        (changed("two", share=91), "share", Change.SAME),
        (changed("two", share=80), "share", Change.WORSE),
        (changed("one", rate=None), "rate", Change.GONE),
        (GOOD | {"one": "no store"}, "ratio", Change.GONE),
        ({"two": GOOD["two"]}, "ratio", Change.GONE),
    ],
)  # fmt: skip
def test_a_change_is_judged_by_its_direction(
    values: dict[str, Any], figure: str, change: Change
) -> None:
    assert compared(suite(GOOD), suite(values))[figure].change is change


def test_from_nothing_to_something_is_worse_and_has_no_ratio() -> None:
    none = suite(changed("two", of={"a": {"error": 0.0}}))
    assert compared(none, none)["error"].change is Change.SAME
    found = compared(none, suite(GOOD))["error"]
    assert (found.change, found.ratio) == (Change.WORSE, None)
    assert compared(suite({"one": GOOD["one"]}), suite(GOOD))["share"].change is Change.NEW


@pytest.mark.parametrize(
    ("old", "new", "change"),
    [
        (88.0, 88.0, Change.SAME), (88.0, 87.9, Change.SAME), (88.0, 87.7, Change.WORSE),
        (88.0, 89.0, Change.BETTER), (88.0, 95.0, Change.BETTER), (100.0, 80.0, Change.WORSE),
        (99.5, 89.5, Change.SAME),
    ],
)  # fmt: skip
def test_outside_of_an_aim_the_way_to_it_counts(old: float, new: float, change: Change) -> None:
    found = compared(suite(changed("two", share=old)), suite(changed("two", share=new)))
    assert found["share"].change is change


def test_the_noise_is_as_stated() -> None:
    slower = suite(changed("one", rate=120.0))
    assert compared(suite(GOOD), slower, 0.1)["rate"].change is Change.WORSE
    found = compare(TABLE, suite(GOOD), slower, 0.7)
    assert found.worse == 0 and {one.change for one in found.figures} == {Change.SAME}
    assert found.figures[0].ratio == 0.6


@pytest.mark.parametrize("other", [{"processor": "invented 2"}, {"cores": 2}])
def test_times_of_another_computer_are_not_judged_ratios_are(other: dict[str, Any]) -> None:
    there = HERE.model_copy(update=other)
    new = suite(changed("one", rate=20.0, ratio=4.0), machine=there)
    found = compare(TABLE, suite(GOOD), new, 0.1)
    changes = {one.figure: one.change for one in found.figures}
    assert (changes["rate"], changes["ratio"]) == (Change.OTHER, Change.WORSE)
    assert found.worse == 1 and not found.same_computer and "other computer" in found.notes[0]


def test_another_python_is_named_and_judged() -> None:
    new = suite(changed("one", rate=20.0), machine=HERE.model_copy(update={"python": "3.13.0"}))
    found = compare(TABLE, suite(GOOD), new, 0.1)
    assert found.worse == 1 and found.notes == ["Python 3.11.2, then 3.13.0"]


@pytest.mark.parametrize("quick", [True, False])
def test_a_quick_run_is_not_compared_with_a_whole_one(quick: bool) -> None:
    with pytest.raises(SuiteError, match="measure both alike"):
        compare(TABLE, suite(GOOD, quick=quick), suite(GOOD, quick=not quick), 0.1)


def text(**changes: Any) -> str:
    return json.dumps(suite(GOOD).model_dump(mode="json") | changes)


def test_a_file_is_read_as_it_was_written() -> None:
    assert read_suite(text(figures=["whatever"]), "x.json") == suite(GOOD)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (text(format=2), "x.json has format 2, this platelink reads 1"),
        (text(format="1"), "format 1"), ("{}", "has no format"), ("[]", "has no format"),
        ("", "is no file of"), ("[" * 100_000, "is no file of"),
        ('{"format": 1, "x": NaN}', "NaN is no number"),
        ('{"format": 1}', "x.json: version"), (text(at_utc="2026-03-02T00:00:00"), "at_utc"),
        (text(machine=HERE.model_dump() | {"cores": 0}), "machine.cores"),
    ],
)  # fmt: skip
def test_another_format_is_refused(content: str, said: str) -> None:
    with pytest.raises(SuiteError) as caught:
        read_suite(content, "x.json")
    assert said in str(caught.value)


# --- the table of figures -------------------------------------------------------------------


def test_every_bench_is_run_and_has_a_figure() -> None:
    commands = {name for name in bench.lazy if name not in ("all", "compare")}
    assert {command[0] for command, _ in BENCHES.values()} == commands
    assert {figure.bench for figure in FIGURES} == set(BENCHES)
    assert len({figure.name for figure in FIGURES}) == len(FIGURES)
    for figure in FIGURES:
        assert (figure.better is not Better.WITHIN) or figure.aim is not None


@pytest.mark.parametrize("name", BENCHES)
def test_what_makes_a_bench_short_is_an_option_that_it_has(name: str) -> None:
    command, short = BENCHES[name]
    found = bench.get_command(None, command[0])
    found.make_context(command[0], [*command[1:], *short, "--json"])


@pytest.mark.parametrize("name", ["link", "dose", "dose-real", "lamps"])
def test_figures_stand_where_the_table_says(name: str) -> None:
    """Of benches that take a second; the others by their own files in the long run of all."""
    small = {"link": ["--n", 200], "dose": ["--n", 2], "dose-real": ["--n", 2]}
    command, _ = BENCHES[name]
    done = run("bench", *command, *small.get(name, ["--years", 1]), "--json")
    benches = {name: Ran(exit_code=0, seconds=0.0, result=json.loads(done.stdout))}
    found = rows(FIGURES, benches)
    assert found and all(row.value is not None for row in found)


def test_aims_are_those_that_the_benches_state() -> None:
    aims = {figure.name: figure.aim for figure in FIGURES}
    assert aims["link: frames decoded, ratio"] == Aim(4.0)
    assert aims["speed: whole plate"] == Aim(25 * 60 / 1.0)
    assert aims["recorder: samples, ratio to plain"] == Aim(10.0)
    assert aims["recorder: samples, ratio to batched"] == Aim(1.5)


def test_the_document_has_every_figure_as_it_is() -> None:
    text = (Path(__file__).parents[2] / "docs/benchmarks.md").read_text("utf-8")
    told = re.findall(
        r"^\| ([a-z]+: [^|]+?) \| ([^|]*?) \| (\w+) \| ([^|]*?) \| ([^|]+?) \|$", text, re.M
    )
    assert [row[:3] for row in told] == [(f.name, f.unit, str(f.better)) for f in FIGURES]
    for figure, row in zip(FIGURES, told, strict=True):
        aim = figure.aim
        assert bool(row[3]) == (aim is not None), figure.name
        if aim is not None and not aim.stated:
            limits = rows([figure], {figure.bench: Ran(exit_code=0, seconds=0.0, result={})})
            assert row[3] == str(limits[0].aim).replace("<=", "≤").replace(">=", "≥"), figure.name


# --- the commands, on a bench that is not ours ----------------------------------------------

FAKE = """
import json, sys
name, rest = sys.argv[1], sys.argv[2:]
assert rest[-1] == "--json", rest
print("working", file=sys.stderr)
if name == "one":
    print(json.dumps({"rate": 50.0 if "--short" in rest else 200.0, "ratio": 5.0}))
elif name == "two":
    print(json.dumps({"of": {"a": {"error": 3.0}}, "limit": 1.0, "share": 95}))
    sys.exit(1)
elif name == "three":
    print("half a line")
    print("Error: mosquitto is not installed", file=sys.stderr)
    sys.exit(1)
elif name == "five":
    print("fine")
else:
    import os, signal
    os.kill(os.getpid(), signal.SIGKILL)
"""
SHORT = ("--short",)


@pytest.fixture
def fake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "fake.py"
    path.write_text(FAKE, "utf-8")
    monkeypatch.setattr(bench_all, "PROGRAM", (sys.executable, str(path)))
    benches = {name: ((name,), SHORT) for name in ("three", "one", "two", "four")}
    monkeypatch.setattr(figures, "BENCHES", benches)
    monkeypatch.setattr(figures, "FIGURES", TABLE)
    return tmp_path / "out.json"


def only(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    monkeypatch.setattr(figures, "BENCHES", {name: ((name,), SHORT) for name in names})


def test_a_bench_that_fails_is_named_and_the_others_are_run(fake: Path) -> None:
    done = run("bench", "all", "--out", fake)
    assert done.exit_code == 1
    assert "no result: three: mosquitto is not installed" in done.stdout
    assert "no result: four: " in done.stdout
    lines = {line.split("  ")[0]: line for line in done.stdout.splitlines()}
    assert "NOT KEPT" in lines["error"] and "NOT KEPT" not in lines["rate"]
    assert "2 of 3 aims kept" in done.stdout and "a script" in lines["ratio"]
    told = json.loads(fake.read_text("utf-8"))
    assert told["benches"]["three"]["result"] is None and told["benches"]["two"]["exit_code"] == 1
    assert told["benches"]["four"]["exit_code"] == -9
    assert told["benches"]["one"]["result"] == {"rate": 200.0, "ratio": 5.0}
    assert [row["figure"] for row in told["figures"]] == ["rate", "ratio", "error", "share"]
    assert told["format"] == 1 and told["machine"]["cores"] >= 1 and not told["quick"]


def test_exit_codes(fake: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    only(monkeypatch, "one")
    assert run("bench", "all").exit_code == 0
    assert run("bench", "all", "--quick", "--json").exit_code == 1, "a rate of 50 misses its aim"
    for silent in ("three", "five"):
        only(monkeypatch, "one", silent)
        assert run("bench", "all").exit_code == 1
    assert "no result: five: working" in run("bench", "all").stdout
    monkeypatch.setattr(figures, "FIGURES", (SHARE,))
    only(monkeypatch, "two")
    done = run("bench", "all")
    assert done.exit_code == 1 and "outside of its own limits" in done.stdout


def test_what_is_measured_is_on_disk_before_the_next_begins(
    fake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    only(monkeypatch, "one", "two")
    real = run_suite.run_bench

    def stopped(command: list[str]) -> Ran:
        if "two" in command:
            raise KeyboardInterrupt
        return real(command)

    monkeypatch.setattr(run_suite, "run_bench", stopped)
    assert run("bench", "all", "--out", fake).exit_code != 0
    assert [*json.loads(fake.read_text("utf-8"))["benches"]] == ["one"]
    assert [path.name for path in fake.parent.iterdir() if path.suffix != ".py"] == ["out.json"]


def test_a_place_that_cannot_be_written_is_said_before_anything_is_run(
    fake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_suite, "run_bench", lambda command: pytest.fail("was run"))
    done = run("bench", "all", "--out", fake / "no" / "such.json")
    assert done.exit_code == 2 and "cannot write" in done.stderr


def test_a_result_of_yesterday_stays_until_there_is_one_of_today(
    fake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(command: list[str]) -> Ran:
        raise KeyboardInterrupt

    fake.write_text("a result of yesterday", "utf-8")
    monkeypatch.setattr(run_suite, "run_bench", stopped)
    assert run("bench", "all", "--out", fake).exit_code != 0
    assert fake.read_text("utf-8") == "a result of yesterday"


def both(fake: Path, old: str, new: str, *options: str) -> Result:
    for name, content in (("old", old), ("new", new)):
        fake.with_name(f"{name}.json").write_text(content, "utf-8")
    return run("bench", "compare", fake.with_name("old.json"), fake.with_name("new.json"), *options)


def test_two_files_compared(fake: Path) -> None:
    worse = json.dumps(suite(changed("one", rate=100.0)).model_dump(mode="json"))
    same = both(fake, text(), text())
    assert same.exit_code == 0 and "none worse beyond a noise of 10 %" in same.stdout
    done = both(fake, text(), worse)
    assert done.exit_code == 1 and "1 worse beyond" in done.stdout
    line = next(line for line in done.stdout.splitlines() if line.startswith("rate"))
    assert line.split() == ["rate", "200", "100", "1/s", "0.500", "higher", "WORSE"]
    assert both(fake, text(), worse, "--exit-zero").exit_code == 0
    assert both(fake, text(), worse, "--noise", "120%").exit_code == 0
    assert both(fake, worse, text()).exit_code == 0
    gone = both(fake, text(), json.dumps(suite({"two": GOOD["two"]}).model_dump(mode="json")))
    assert gone.exit_code == 1 and "2 worse" in gone.stdout and "old one only" in gone.stdout
    told = json.loads(both(fake, text(), worse, "--json").stdout)
    assert told["worse"] == 1 and told["figures"][0]["ratio"] == 0.5
    assert both(fake, text(), text(format=2)).exit_code == 2


@pytest.mark.parametrize("noise", ["10", "-1%", "x%", "", "nan%", "2000%"])
def test_a_noise_is_per_cent(fake: Path, noise: str) -> None:
    done = both(fake, text(), text(), "--noise", noise)
    assert done.exit_code == 2 and "write per cent" in done.stderr


# --- where it was measured ------------------------------------------------------------------


def test_the_commit_is_this_checkouts_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A copy that lies in somebody's checkout without being of it has no commit."""
    for name in ("run_suite.py", "theirs.txt"):
        (tmp_path / name).write_text("x", "utf-8")
    me = ["-c", "user.name=x", "-c", "user.email=x@example.org"]

    def git(*arguments: str) -> str:
        done = subprocess.run(
            ["git", "-C", str(tmp_path), *me, *arguments], capture_output=True, text=True,
            check=True,
        )  # fmt: skip
        return done.stdout.strip()

    git("init", "-q")
    git("add", "theirs.txt")
    git("commit", "-qm", "theirs")
    monkeypatch.setattr(run_suite, "_HERE", tmp_path)
    assert run_suite.run_suite([], {}, quick=False).commit is None
    git("add", "run_suite.py")
    git("commit", "-qm", "ours")
    found = run_suite.run_suite([], {}, quick=False)
    assert (found.commit, found.changed) == (git("rev-parse", "HEAD"), False)
    (tmp_path / "theirs.txt").write_text("y", "utf-8")
    assert run_suite.run_suite([], {}, quick=False).changed


def test_a_program_that_is_not_there_is_a_reason() -> None:
    found = run_suite.run_bench(["/no/such/program"])
    assert found.result is None and "No such file" in str(found.reason)
