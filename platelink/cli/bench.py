"""The command ``bench``: figures of accuracy and speed, measured here and now."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Failure, Lazy, LazyGroup
from platelink.cli.tables import NO_TERMINAL, Column, pairs, table

if TYPE_CHECKING:
    from platelink.simulated.bench_dose import Errors
    from platelink.simulated.bench_lag import Load
    from platelink.simulated.bench_real import RealBench
    from platelink.simulated.bench_stop import Attacked
    from platelink.simulated.campaign.run import Campaign

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")
_WORDS = {
    "platelink": "platelink",
    "timer": "the unit's own timer",
    "poll_and_compare": "poll and compare",
}


@click.group(
    cls=LazyGroup,
    lazy={
        "dose": Lazy("bench:dose", "Dose delivered against its target, three ways."),
        "link": Lazy("bench:link", "Frames decoded a second."),
        "speed": Lazy("bench:speed", "How much faster than real time a plate is simulated."),
        "faults": Lazy("bench:faults", "Promises kept while much goes wrong at once."),
        "lamps": Lazy("bench_lamps:lamps", "How true the forecast of the lamps is."),
        "find": Lazy("bench_find:find", "Plates until a dose is known, against halving."),
        "foretell": Lazy("bench_foretell:foretell", "Depths predicted before washout, and causes."),
        "lag": Lazy("bench:lag", "How late the control loop is while clients load it."),
        "needs": Lazy("bench_needs:needs", "Processor and memory that a unit needs."),
        "recorder": Lazy("bench:recorder", "Samples a second from the broker into the store."),
        "watch": Lazy("bench_watch:watch", "False holds of the vacuum's watch, and its delays."),
        "audit": Lazy("bench_audit:audit", "How soon questions to the record are answered."),
        "group": Lazy("bench_group:group", "A fleet of units through broker and store."),
        "stop": Lazy("bench:stop", "How soon a stop is answered while clients attack."),
        "all": Lazy("bench_all:all_benches", "Every bench, in one table of figures."),
        "compare": Lazy("bench_all:compare", "Two results of all benches, figure by figure."),
    },
)
def bench() -> None:
    """Measure accuracy and speed on simulated units; no hardware is touched."""


@click.command()
@click.option(
    "--profile",
    type=click.Choice(["control", "real"]),
    default="control",
    show_default=True,
    help="control: sensors calibrated without error. real: units that are not.",
)
@click.option(
    "--n", type=click.IntRange(min=1), help="Exposures, 1000 without it; of real units, 200."
)
@json_option
def dose(profile: str, n: int | None, as_json: bool) -> None:
    """Compare delivered dose with its target, for platelink, a timer, and poll-and-compare.

    Seeded exposures on simulated units: faded, cold and warm lamps, ripple, noise, lost messages,
    stalls. The truth is the plant's own. Exit code 1 when platelink exceeds its limit.

    With --profile real the sensors err as well: reference meter, place on the bed, tubes that age
    unequally, colour, slanting light, drift, heat. The three numbers of a dose are measured. Exit
    code 1 when U (k = 2) does not cover about 95 % of the units, 90 to 99."""
    if profile == "real":
        _real(n or 200, as_json)
    else:
        _control(n or 1000, as_json)


def _real(n: int, as_json: bool) -> None:
    from platelink.simulated.bench_real import run_real

    found = run_real(n)
    if as_json:
        emit(found)
    else:
        click.echo(_real_table(found))
        click.echo(f"{found.plates} plates of {found.units} units; "
                   f"U covers {'' if found.kept else 'NOT '}about 95 % of them")  # fmt: skip
    if not found.kept:
        click.get_current_context().exit(Failure.exit_code)


def _real_table(found: RealBench) -> str:
    heads = (
        Column("NUMBER"), Column("U STATED (k = 2)", right=True), Column("MEAN ERROR", right=True),
        Column("95 % WITHIN", right=True), Column("LARGEST", right=True),
        Column("WITHIN U", right=True),
    )  # fmt: skip
    numbers = {
        "control": found.control, "plate to plate": found.plate_to_plate,
        "against the meter": found.against_meter,
    }  # fmt: skip
    rows = [
        [
            name,
            "" if one.stated_pct is None else f"±{one.stated_pct:.2f} %",
            f"{one.mean_pct:+.3f} %",
            f"{one.within_95_pct:.3f} %",
            f"{one.largest_pct:.3f} %",
            "" if one.covered_pct is None else f"{one.covered_pct:.1f} %",
        ]
        for name, one in numbers.items()
    ]
    return table(heads, rows, NO_TERMINAL)


def _control(n: int, as_json: bool) -> None:
    from platelink.simulated.bench_dose import run_bench

    found = run_bench(n)
    within = found.methods["platelink"].max_error_pct <= found.limit_pct
    if as_json:
        emit(found)
    else:
        click.echo(_dose_table(found.methods))
        click.echo(
            f"platelink's largest error is {relation(within)} its limit of {found.limit_pct} %"
        )
    if not within:
        click.get_current_context().exit(Failure.exit_code)


def _dose_table(methods: Mapping[str, Errors]) -> str:
    heads = (
        Column("DOSE ENDED BY"),
        Column("EXPOSURES", right=True),
        Column("MEAN ERROR", right=True),
        Column("99 % WITHIN", right=True),
        Column("LARGEST", right=True),
    )
    rows = [
        [
            _WORDS.get(name, name),
            str(errors.n),
            f"{errors.mean_error_pct:+.4f} %",
            f"{errors.p99_error_pct:.4f} %",
            f"{errors.max_error_pct:.4f} %",
        ]
        for name, errors in methods.items()
    ]
    return table(heads, rows, NO_TERMINAL)


@click.command()
@click.option(
    "--n", type=click.IntRange(min=1), default=20_000, show_default=True, help="Frames in a pass."
)
@json_option
def link(n: int, as_json: bool) -> None:
    """Measure frames decoded a second, beside another parser of the same size of message."""
    from platelink.simulated.bench_link import bench_link

    _print(bench_link(n), as_json)


@click.command()
@json_option
def speed(as_json: bool) -> None:
    """Measure how much faster than real time an exposure and a whole plate run in one process."""
    from platelink.simulated.bench_speed import bench_speed

    _print(bench_speed(), as_json)


@click.command()
@click.option(
    "--runs",
    type=click.IntRange(min=20),
    default=200,
    show_default=True,
    help="Exposures whose messages wait in the broker.",
)
@click.option("--blocks", is_flag=True, help="Ours come as blocks (broker.blocks), not as JSON.")
@json_option
def recorder(runs: int, blocks: bool, as_json: bool) -> None:
    """Measure samples a second from the broker to a point readable in the store.

    The recorder, beside two scripts that keep nothing: one that writes thousands of lines in a
    request, one that writes a point in each. mosquitto and victoria-metrics must be installed; they
    run as children of this process. Rates are in samples a second."""
    from platelink.publish.services import ServiceError
    from platelink.simulated.bench_recorder import bench_recorder

    try:
        found = bench_recorder(runs, blocks=blocks)
    except ServiceError as error:
        raise Failure(str(error)) from error
    _print(asdict(found), as_json)


@click.command()
@click.option(
    "--seeds", type=click.IntRange(min=1), default=300, show_default=True, help="Cases played."
)
@click.option(
    "--first", type=click.IntRange(min=1), default=1, show_default=True, help="The first seed."
)
@click.option("--only", help="Play only these faults of each case, as in 0,2; none: no fault.")
@json_option
def faults(seeds: int, first: int, only: str | None, as_json: bool) -> None:
    """Play exposures and plates while lamps, sensors, wire, device, host and people fail.

    Simulated time, seeded. A judge who sees the plant compares what was true with what was said and
    recorded. A case that breaks a promise is shrunk to the fewest faults that still do, and
    printed with the command that repeats it. Exit code 1 when a promise was broken."""
    from platelink.simulated.campaign.run import run_campaign

    found = run_campaign(seeds, first=first, kept=_places(only))
    if as_json:
        emit(found)
    else:
        click.echo(_promises(found))
    if found.violations:
        click.get_current_context().exit(Failure.exit_code)


def _places(only: str | None) -> tuple[int, ...] | None:
    if only is None:
        return None
    try:
        return () if only == "none" else tuple(int(place) for place in only.split(","))
    except ValueError:
        raise Failure(f"--only {only}: write places of faults, as in 0,2, or none") from None


def _promises(found: Campaign) -> str:
    from platelink.simulated.campaign.judge import RULES

    heads = (Column("PROMISE"), Column("BROKEN", right=True))
    rows = [[text, str(found.by_rule.get(rule, 0))] for rule, text in RULES.items()]
    lines = [table(heads, rows, NO_TERMINAL), ""]
    for failed in found.failed:
        lines.append(f"seed {failed.seed}, {', '.join(failed.faults) or 'no fault'}:")
        lines += [f"  {v.rule}: {v.text}" for v in failed.violations]
        lines.append(f"  again: {failed.again}")
    lines.append(
        f"{found.violations} broken in {found.seeds} cases with {sum(found.struck.values())} faults"
        f", {found.seconds:.0f} s"
    )
    return "\n".join(lines)


def measured(bench: Callable[[float], T], seconds: float) -> T:
    """What a bench of real processes found."""
    try:
        return bench(seconds)
    except TimeoutError as error:
        raise Failure(str(error)) from None


def relation(ok: bool) -> str:
    return "within" if ok else "OUTSIDE"


def judged(found: object, ok: bool, told: str, *, as_json: bool) -> None:
    """Print it; exit code 1 outside of its limits."""
    if as_json:
        emit(found)
    else:
        click.echo(told)
    if not ok:
        click.get_current_context().exit(Failure.exit_code)


def _seconds(of_what: str) -> Callable[[F], F]:
    return click.option(
        "--seconds",
        type=click.FloatRange(min=0.5),
        default=12.0,
        show_default=True,
        help=f"How long each {of_what} is measured.",
    )


@click.command()
@_seconds("load")
@json_option
def lag(seconds: float, as_json: bool) -> None:
    """Measure how late the control loop is, in the light, while clients load, flood and stop.

    Real processes in real time, some minutes. Beside it an empty loop: what is late there too is
    the computer's. Exit code 1 when the loop exceeds its limits."""
    from platelink.simulated.bench_lag import bench_lag

    found = measured(bench_lag, seconds)
    limits = (
        f"the loop is {relation(found.ok)} its limits of {found.p99_limit_ms:g} ms (99 %) and "
        f"{found.max_limit_ms:g} ms (largest)"
    )
    judged(found, found.ok, f"{_lag_table(found.loads)}\n{limits}", as_json=as_json)


def _lag_table(loads: Mapping[str, Load]) -> str:
    heads = [Column("LATENESS, ms"), Column("LOOP", right=True)]
    heads += [Column(name, right=True) for name in ("HALF", "99 %", "LARGEST")]
    rows = [
        [name, which, *(f"{late:.2f}" for late in (of.p50_ms, of.p99_ms, of.max_ms))]
        for load, found in loads.items()
        for name, which, of in ((load, "loop", found.loop), ("", "beside", found.beside))
    ]
    return table(tuple(heads), rows, NO_TERMINAL)


@click.command()
@_seconds("attack")
@json_option
def stop(seconds: float, as_json: bool) -> None:
    """Measure how soon a stop is answered, by the service's socket and by the page, while clients
    attack: idle connections, floods, a big export, a full disk.

    Real processes in real time, some minutes; the attackers share this computer. A stop counts as
    refused when it did not reach the unit. The full disk takes the right to mount a small one; else
    it is left out (null). Exit code 1 when a stop was refused or came too late."""
    from platelink.simulated.bench_stop import bench_stop

    found = measured(bench_stop, seconds)
    limits = f"its limits: {found.p99_limit_ms:g} ms (99 %), none refused"
    told = f"{_stop_table(found.attacks)}\nstop is {relation(found.ok)} {limits}"
    judged(found, found.ok, told, as_json=as_json)


def _stop_table(attacks: Mapping[str, Attacked | None]) -> str:
    heads = [Column("ANSWERED, ms"), Column("BY")]
    heads += [Column(name, right=True) for name in ("HALF", "99 %", "LARGEST", "REFUSED")]
    rows = []
    for attack, found in attacks.items():
        if found is None:
            rows.append([attack, "not measured here", *[""] * 4])
            continue
        for name, way, of in ((attack, "socket", found.socket), ("", "page", found.page)):
            figures = [f"{ms:.1f}" for ms in (of.p50_ms, of.p99_ms, of.max_ms)]
            rows.append([name, way, *figures, f"{of.refused} of {of.n}"])
        late = [
            f"{ms:.1f}" for ms in (found.beside.p50_ms, found.beside.p99_ms, found.beside.max_ms)
        ]
        rows.append(["", "beside", *late, ""])
    return table(tuple(heads), rows, NO_TERMINAL)


def _print(figures: Mapping[str, Any], as_json: bool) -> None:
    if as_json:
        emit(dict(figures))
        return
    click.echo(pairs([(name.replace("_", " "), _figure(v)) for name, v in figures.items()]))


def _figure(value: Any) -> str:
    if value is None:
        return "not measured: not installed"
    return f"{value:,.4g}" if isinstance(value, float) and abs(value) < 1e4 else f"{value:,.0f}"
