"""The commands ``bench all`` and ``bench compare``: every bench's figures, and what changed."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import emit, json_option, plain
from platelink.cli.group import Failure, Misuse
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.simulated.suite import Comparison, Suite

PROGRAM = (sys.executable, "-m", "platelink", "bench")


@click.command("all")
@click.option("--quick", is_flag=True, help="Fewer cases and shorter times; some minutes.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False),
    help="Write everything to this file, after each bench.",
)  # fmt: skip
@json_option
def all_benches(quick: bool, out: Path | None, as_json: bool) -> None:
    """Run every bench, one after the other, each as a process of its own; one table of figures.

    A bench that fails, or lacks a program it needs, is named with its reason, and the others are
    run. Let nothing else run on the computer meanwhile. Exit code 1 when a bench gave no result,
    or an aim was not kept."""
    from platelink.simulated.figures import BENCHES
    from platelink.simulated.run_suite import run_suite

    if out is not None:
        _write(out, "")  # a place that cannot be written is known before an hour is spent

    def ran(name: str, suite: Suite) -> None:
        one = suite.benches[name]
        how = f"no result: {one.reason}" if one.result is None else f"{one.seconds:.0f} s"
        click.echo(f"{name}: {how}", err=True)
        if out is not None:
            _write(out, _text(suite))

    suite = run_suite(PROGRAM, BENCHES, quick=quick, ran=ran)
    if as_json:
        emit(_whole(suite))
    else:
        _print(suite)
    if not _fine(suite):
        click.get_current_context().exit(Failure.exit_code)


def _whole(suite: Suite) -> dict[str, Any]:
    from platelink.simulated.figures import FIGURES
    from platelink.simulated.suite import rows

    whole = suite.model_dump(mode="json")
    return {**whole, "figures": [plain(row) for row in rows(FIGURES, suite.benches)]}


def _text(suite: Suite) -> str:
    return json.dumps(_whole(suite), ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def _write(path: Path, text: str) -> None:
    """Whole or not at all; the empty text only tries the place."""
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_text(text, "utf-8")
        if text:
            os.replace(beside, path)
        else:
            beside.unlink()
    except OSError as error:
        raise Misuse(f"cannot write {path}: {error.strerror}") from None


def _fine(suite: Suite) -> bool:
    kept = all(row["kept"] is not False for row in _whole(suite)["figures"])
    return kept and all(ran.exit_code == 0 and ran.result is not None
                        for ran in suite.benches.values())  # fmt: skip


def _print(suite: Suite) -> None:
    columns = (
        Column("FIGURE"), Column("VALUE", right=True), Column("UNIT"), Column("AIM"),
        Column("KEPT"), Column("RATIO TO"),
    )  # fmt: skip
    words = {True: "kept", False: "NOT KEPT", None: ""}
    found = _whole(suite)["figures"]
    rows = [
        [row["figure"], number(row["value"]), row["unit"], row["aim"] or "", words[row["kept"]],
         row["ratio_to"] or ""]
        for row in found
    ]  # fmt: skip
    print_table(columns, rows)
    where = suite.machine
    click.echo(
        f"\nplatelink {suite.version}{_at(suite)}; {where.processor}, {where.cores} cores, "
        f"Python {where.python}, {where.system}{'; --quick' if suite.quick else ''}"
    )
    for name, ran in suite.benches.items():
        if ran.result is None:
            click.echo(f"no result: {name}: {ran.reason}")
        elif ran.exit_code:
            click.echo(f"{name}: outside of its own limits; see: platelink bench {_command(name)}")
    missed = [row for row in found if row["kept"] is False]
    stated = [row for row in found if row["kept"] is not None]
    click.echo(f"{len(stated) - len(missed)} of {len(stated)} aims kept")


def _command(name: str) -> str:
    from platelink.simulated.figures import BENCHES

    return " ".join(BENCHES[name][0])


def _at(suite: Suite) -> str:
    if suite.commit is None:
        return ""
    return f" at {suite.commit[:12]}{', changed' if suite.changed else ''}"


def number(value: float | None) -> str:
    """Four digits that say something."""
    if value is None:
        return "–"
    return f"{value:,.0f}" if abs(value) >= 1000.0 or value == int(value) else f"{value:.4g}"


class Percent(click.ParamType[float]):
    """``10%`` as 0.1."""

    name = "percent"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """A bare number would be read in two ways."""
        text = str(value).strip()
        try:
            share = float(text.removesuffix("%")) / 100.0
        except ValueError:
            share = -1.0
        if not text.endswith("%") or not 0.0 <= share <= 10.0:
            self.fail(f"'{value}': write per cent, 0% to 1000%, as in 10%", param, ctx)
        return share


_FILE = click.Path(path_type=Path, dir_okay=False, exists=True)


@click.command()
@click.argument("old", type=_FILE)
@click.argument("new", type=_FILE)
@click.option("--noise", type=Percent(), default="10%", show_default=True,
              help="Changes within it are none.")  # fmt: skip
@click.option("--exit-zero", is_flag=True, help="Exit code 0 also when something is worse.")
@json_option
def compare(old: Path, new: Path, noise: float, exit_zero: bool, as_json: bool) -> None:
    """Compare two files of 'bench all --out', figure by figure: ratio of new to old.

    Times and rates of two different computers are shown and not judged; ratios within one run and
    seeded figures are. Exit code 1 when a figure is worse beyond the noise, or no longer
    measured."""
    from platelink.simulated.figures import FIGURES
    from platelink.simulated.suite import SuiteError, read_suite
    from platelink.simulated.suite import compare as compare_suites

    try:
        both = [read_suite(path.read_text("utf-8", "replace"), str(path)) for path in (old, new)]
        found = compare_suites(FIGURES, both[0], both[1], noise)
    except (SuiteError, OSError) as error:
        raise Misuse(str(error)) from None
    if as_json:
        emit(found)
    else:
        _print_compared(found)
    if found.worse and not exit_zero:
        click.get_current_context().exit(Failure.exit_code)


def _print_compared(found: Comparison) -> None:
    columns = (
        Column("FIGURE"), Column("OLD", right=True), Column("NEW", right=True), Column("UNIT"),
        Column("RATIO", right=True), Column("BETTER"), Column("CHANGE"),
    )  # fmt: skip
    rows = [
        [one.figure, number(one.old), number(one.new), one.unit,
         "–" if one.ratio is None else f"{one.ratio:.3f}", str(one.better), str(one.change)]
        for one in found.figures
    ]  # fmt: skip
    print_table(columns, rows, "the two have no figure in common")
    click.echo("\n" + "\n".join([*found.notes, _verdict(found)]))


def _verdict(found: Comparison) -> str:
    beyond = f"worse beyond a noise of {100.0 * found.noise:g} %"
    return f"{found.worse} {beyond}, or not measured" if found.worse else f"none {beyond}"
