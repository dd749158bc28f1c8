"""The command ``bench audit``: how soon questions to the record are answered."""

from __future__ import annotations

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Failure
from platelink.cli.tables import NO_TERMINAL, Column, pairs, table


@click.command()
@click.option(
    "--n", type=click.IntRange(min=1), default=1_000_000, show_default=True, help="Plates."
)
@click.option(
    "--share", type=click.FloatRange(0.0, 1.0), default=0.0005, show_default=True,
    help="Of them with samples and curves; 100 at least.",
)  # fmt: skip
@click.option(
    "--repeats", type=click.IntRange(min=1), default=100, show_default=True,
    help="How often each question is asked.",
)  # fmt: skip
@json_option
def audit(n: int, share: float, repeats: int, as_json: bool) -> None:
    """Ask a facts file of very many invented plates; how long it takes to build and to answer.

    A share of them comes from a journal with samples; the others are drawn from those and entered
    by the same code, the newest tenth with curves. Some 7 GB of disk for a million. Exit code 1
    when an aim is not kept: a plate in 5 ms, with samples in 20 ms, every question in 200 ms, 99
    times of 100."""
    from platelink.simulated.bench_audit import OPEN_MS, QUESTION_MS, WITH_SAMPLES_MS, bench_audit

    found = bench_audit(n, share, repeats)
    if as_json:
        emit(found)
    else:
        heads = (
            Column("QUESTION"), Column("HALF WITHIN", right=True),
            Column("99 OF 100 WITHIN", right=True), Column("PROCESSOR", right=True),
            Column("FOUND", right=True), Column("DECODED", right=True),
        )  # fmt: skip
        rows = [
            [name, f"{one.p50_ms:.2f} ms", f"{one.p99_ms:.2f} ms", f"{one.work_ms:.2f} ms",
             str(one.found), str(one.decoded)]
            for name, one in found.questions.items()
        ]  # fmt: skip
        click.echo(table(heads, rows, NO_TERMINAL))
        facts = [
            ("a plate", f"{found.open_ms:.2f} ms (aim {OPEN_MS:g}), of the processor "
             f"{found.open_work_ms:.2f} ms"),
            ("with samples", f"{found.open_with_samples_ms:.2f} ms (aim {WITH_SAMPLES_MS:g}), of "
             f"the processor {found.open_with_samples_work_ms:.2f} ms"),
            ("every question", f"aim {QUESTION_MS:g} ms"),
            ("built", f"{found.plates} plates in {found.build_s:.0f} s"),
            ("from a journal", f"{found.runs_a_s:.0f} runs/s, "
             f"{found.runs_with_samples_a_s:.0f} with samples, by all cores"),
            ("of the processor", f"{found.run_work_us:.0f} us a run, "
             f"{found.run_with_samples_work_us:.0f} with samples, in one process"),
            ("on disk", f"{found.bytes_per_plate:.0f} bytes a plate, "
             f"{found.bytes_per_plate_with_curves:.0f} with curves"),
            ("memory", f"{found.rss_mb:.0f} MB, {found.rss_mb_at_a_tenth:.0f} after a tenth"),
        ]  # fmt: skip
        click.echo("\n" + pairs(facts))
    if not found.kept:
        click.get_current_context().exit(Failure.exit_code)
