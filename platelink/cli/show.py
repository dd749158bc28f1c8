"""The command ``show``: everything recorded of one run, or of one plate, on one page."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from platelink.cli import complete
from platelink.cli.context import emit, journal_option, json_option
from platelink.cli.importing import found_run
from platelink.cli.plate_figures import Part
from platelink.cli.plate_story import Story, read_story, story_parts
from platelink.cli.quantities import Display, clean, facts, shown
from platelink.cli.runs import dose_text
from platelink.cli.tables import (
    Column,
    local_with_zone,
    only_ascii,
    pairs,
    plot_width,
    table,
    terminal_width,
)
from platelink.cli.uncertainty import budget_table, three_numbers
from platelink.contract.runs import off_pct
from platelink.contract.uncertainty import LEAST_DOUBT_MJ_CM2, uncertainty_in
from platelink.events.event import for_people
from platelink.evidence.beside import known_of, seal_line, sealed_view
from platelink.record.plot import plot, plotted
from platelink.units import named

if TYPE_CHECKING:
    from platelink.record.stored import RunRecord
    from platelink.runs import RunEvent, SampleBlock

_SETTINGS = "config"
"""Part of the conditions that repeats the configuration file: shown as it is written there."""
_LIGHT = "light"
_CALIBRATIONS = "calibrations"
PLATE, BAKE = "plate", "bake"
"""Kinds of run that are shown in their own way."""


@click.command()
@click.argument("run", shell_complete=complete.runs)
@click.option("--width", type=click.IntRange(30, 500), help="Characters in a line of the plot.")
@click.option("--no-plot", is_flag=True, help="Leave the plot out.")
@journal_option
@json_option
def show(
    run: str, *, width: int | None, no_plot: bool, journal: Path | None, as_json: bool
) -> None:
    """Show everything about one run: conditions, request, calibration, events, dose and a plot.
    Of a plate its whole story: steps, runs, stages, inspection, deviations, alarms, people.

    RUN is its id, the beginning of it, a plate's name, or 'last'; of an imported one UNIT/NAME.
    Units are those of the configuration's [display] section. JSON holds the samples' number;
    'export' gives the samples themselves."""
    show_run(run, width=width, no_plot=no_plot, journal=journal, as_json=as_json)


def show_run(
    run: str, *, width: int | None = None, no_plot: bool = False, journal: Path | None = None,
    as_json: bool = False,
) -> None:  # fmt: skip
    """Print everything about a run or plate."""
    with found_run(journal, run) as whose:
        reader, display, found = whose.reader, whose.display, whose.run
        run_id = found.start.run_id
        events, samples = reader.events(run_id), reader.samples(run_id)
        story = read_story(reader, found) if found.start.run_kind == PLATE else None
        if whose.imported is None or whose.store is None:
            seal = sealed_view(known_of(reader.path, found))
        else:
            seal = whose.store.sealed(whose.imported)
    if as_json:
        told = _as_json(found, events, len(samples), story) | {"seal": seal}
        emit(told if whose.imported is None else told | {"imported": whose.imported})
        return
    if whose.imported is not None:
        click.echo(f"IMPORTED\n{wrapped(whose.whose)}\n")
    page = _page(found, events, samples, display) if story is None else _story(story, display)
    for title, text in page:
        click.echo(f"{title}\n{text}\n" if title else f"{text}\n")
    click.echo(f"SEAL\n  {clean(seal_line(seal))}\n")
    if found.removed is not None:
        click.echo(f"SAMPLES\n{wrapped(found.removed.text)}\n")
    elif story is None and not no_plot:
        click.echo(plots(samples, display, width or plot_width()))


def wrapped(text: str) -> str:
    """A sentence, wrapped to the terminal below a title."""
    width = terminal_width()
    return textwrap.fill(  # a path or a command line stays one word, to be copied
        clean(text), width, initial_indent="  ", subsequent_indent="  ", break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def _as_json(
    found: RunRecord, events: Sequence[RunEvent], samples: int, story: Story | None
) -> dict[str, object]:
    lines: dict[str, object] = {
        "run": found.summary,
        "start": found.start,
        "channels": found.channels,
        "events": events,
        "end": found.end,
        "stored_samples": samples,
        "samples_removed": found.removed and found.removed.text,
    }
    if story is not None:
        lines["parts"] = [part.summary for part in story.parts]
        lines["alarms"] = story.told.alarms
        lines["story"] = story.told
    return lines


def _story(story: Story, display: Display) -> Iterator[Part]:
    yield from story_parts(story, display)
    yield "EVENTS", _events(story.run, story.events, display)
    if story.parts:
        yield "", "conditions, calibration and curves stand with each run: platelink show RUN"


def _page(
    run: RunRecord, events: Sequence[RunEvent], samples: SampleBlock, display: Display
) -> Iterator[Part]:
    """(title, text) of each part of the page."""
    conditions = dict(run.start.conditions)
    settings, light = conditions.pop(_SETTINGS, None), conditions.pop(_LIGHT, None)
    yield "", _head(run)
    if run.start.run_kind == BAKE:
        yield "BAKE", pairs(_heat(run, len(samples), len(events), display))
    else:
        yield "DOSE", pairs(_dose(run, len(samples), len(events), samples, display))
    stated = uncertainty_in(run.end.data) if run.end else None
    if stated is not None:
        yield "UNCERTAINTY", budget_table(stated)
    if run.start.request:
        yield "REQUEST", pairs(facts(run.start.request, display))
    if isinstance(light, dict) and run.start.run_kind != BAKE:
        yield "LIGHT CALIBRATION", _calibration(light, display)
    elif light is not None and not isinstance(light, dict):
        conditions[_LIGHT] = light
    if isinstance(calibrations := conditions.pop(_CALIBRATIONS, None), list):
        found = [one for one in calibrations if isinstance(one, dict)]
        yield "CALIBRATIONS", pairs([_named(one) for one in found])
    if conditions:
        yield "CONDITIONS", pairs(facts(conditions, display))
    if run.channels:
        yield "COLUMNS", _columns(run)
    if settings:
        lines = [f"  {key} = {value}" for key, value in sorted(_settings(settings))]
        yield "SETTINGS IN FORCE", "\n".join(lines)
    if events:
        yield "EVENTS", _events(run, events, display)


def _named(one: dict[str, Any]) -> tuple[str, str]:
    """The calibration of one sensor, and what it is worth."""
    parts = [str(one.get("calibration", "–"))]
    if one.get("certificate"):
        parts.append(f"against {one.get('instrument')}, certificate {one['certificate']}")
    if one.get("due_on"):
        parts.append(f"made {one.get('made_on')}, due {one['due_on']}")
    if one.get("u") is not None:
        parts.append(f"U (k = 2) {one['u']} {one.get('unit', '')}")
    return clean(str(one.get("sensor", "–"))), clean("; ".join(parts))


def _head(run: RunRecord) -> str:
    start, end = run.start, run.end
    state = f"{end.state}: {clean(end.reason)}" if end else "not ended: running, or cut short"
    rows = [
        ("unit", clean(start.unit)),
        ("step", clean(start.step)),
        ("state", state),
        ("begun", local_with_zone(start.at_utc)),
    ]
    if end:
        lasted_s = (end.at_utc - start.at_utc).total_seconds()
        rows.append(("ended", f"{local_with_zone(end.at_utc)}, after {lasted_s:.1f} s"))
    texts = {"operator": start.operator, "plate": start.plate, "job": start.job, "note": start.note}
    rows += [(name, clean(text)) for name, text in texts.items() if text]
    return f"RUN {start.run_id}\n{pairs(rows)}"


def _dose(
    run: RunRecord, samples: int, events: int, block: SampleBlock, display: Display
) -> list[tuple[str, str]]:
    end, target = run.end, run.start.target_dose_mj_cm2
    rows = [("target", dose_text(target, display))]
    if end is None:
        newest = _last(block, "dose_mj_cm2")
        rows.append(("so far", f"{dose_text(newest, display)} at the last stored sample"))
        rows.append(("entries", f"{samples} samples, {events} events"))
        return rows
    dose, device = run.summary.dose_mj_cm2, end.device_dose_mj_cm2
    rows.append(("delivered", dose_text(dose, display)))
    rows += _on_bed(run, dose, display)
    rows += three_numbers(off_pct(dose, target), uncertainty_in(end.data))
    data = {name: value for name, value in end.data.items() if name != "uncertainty"}
    if run.corrected is not None:
        told = f"{dose_text(end.dose_mj_cm2, display)}; the device's count arrived after the end"
        rows.append(("stated at its end", told))
        data["uncertain_mj_cm2"] = run.corrected.uncertain_mj_cm2
    rows += _doubt(data, display)
    counted = _off(off_pct(device, dose), "delivered")
    rows.append(("by the device", dose_text(device, display) + counted))
    rows.append(("light", "–" if end.light_s is None else f"{end.light_s:.2f} s"))
    rows.append(("entries", f"{end.samples} samples, {end.events} events, {end.gaps} gaps"))
    return rows + facts(data, display)


def _on_bed(run: RunRecord, dose: float | None, display: Display) -> Iterator[tuple[str, str]]:
    """What fell on the plate, where an experiment has measured the bed: the dose is the
    sensor's."""
    from pydantic import ValidationError

    from platelink.contract.wire import OnBed

    told, light = run.start.request.get("on_bed"), run.start.conditions.get(_LIGHT)
    p = light.get("reciprocity_p") if isinstance(light, dict) else None
    if not isinstance(told, dict) or dose is None:
        return
    try:
        on_bed = OnBed.model_validate(told)
    except ValidationError:
        return  # of another release
    power = float(p) if isinstance(p, int | float) else 1.0
    low, mean, high = (
        dose_text(dose * (1.0 + pct / 100.0) ** power, display)
        for pct in (on_bed.low_pct, on_bed.mean_pct, on_bed.high_pct)
    )
    where = "there" if on_bed.place_cm else "anywhere on the bed, as nobody said where it lay"
    yield "on the plate", f"{low} to {high}, mean {mean}: light {where}, by {on_bed.experiment}"


def _doubt(data: dict[str, Any], display: Display) -> Iterator[tuple[str, str]]:
    """What may have fallen unseen, or not at all; taken out of the data."""
    both = (data.pop("uncertain_mj_cm2", 0.0), data.pop("doubtful_mj_cm2", 0.0))
    more, less = (x if isinstance(x, int | float) else 0.0 for x in both)
    if max(more, less) >= LEAST_DOUBT_MJ_CM2:
        yield (
            "in doubt",
            f"up to {dose_text(more, display)} more or {dose_text(less, display)} less may "
            "have been given; none of these figures includes that",
        )


_OF_THE_AIR = ("mean_c", "min_c", "max_c", "equivalent_s")


def _heat(run: RunRecord, samples: int, events: int, display: Display) -> list[tuple[str, str]]:
    """What the air of the oven did, and the plate in it. Equivalent minutes are an index."""
    if run.end is None:
        return [("entries", f"{samples} samples, {events} events so far")]
    end = run.end
    named_so = {f"air_{key}" if key in _OF_THE_AIR else key: v for key, v in end.data.items()}
    rows = facts(named_so, display)
    return [*rows, ("entries", f"{end.samples} samples, {end.events} events, {end.gaps} gaps")]


def _off(pct: float | None, of: str) -> str:
    return "" if pct is None else f"  {pct:+.3f} % of {of}"


def _last(block: SampleBlock, name: str) -> float | None:
    column = block.values.get(name)
    if column is None or not len(column) or not np.isfinite(column).any():
        return None
    return float(column[np.isfinite(column)][-1])


def _calibration(light: dict[str, Any], display: Display) -> str:
    """Everything the dose was computed with: one column for each channel, then what is common."""
    channels = [c for c in light.get("channels") or [] if isinstance(c, dict)]
    names = list(dict.fromkeys(name for channel in channels for name in channel))
    common = facts({k: v for k, v in light.items() if k != "channels"}, display)
    widest = max((len(label) for label, _ in common), default=0)
    rows = []
    for name in names:
        cells = [shown(name, channel.get(name), display)[1] for channel in channels]
        rows.append([f"  {named(name)[0].ljust(widest)}", *cells])
    heads = [Column("  channel"), *(Column(f"{i}") for i in range(len(channels)))]
    text = table(heads, rows, terminal_width()) if rows else ""
    widest = max((len(row[0]) - 2 for row in rows), default=0)
    return "\n".join(filter(None, (text, pairs(common, least=widest))))


def _columns(run: RunRecord) -> str:
    assert run.channels is not None
    heads = (Column("  NAME"), Column("UNIT"), Column("SENSOR"), Column("MEANING", least=10))
    rows = [
        [f"  {c.name}", c.unit, clean(c.sensor or ""), clean(c.description)]
        for c in run.channels.channels
    ]
    return table(heads, rows, terminal_width()) if rows else "  none"


def _settings(value: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """Keys and values as in the configuration file."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _settings(inner, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _settings(inner, f"{key}[{i}]")
    elif value is not None:
        yield key, clean(json.dumps(value, ensure_ascii=False))


def _events(run: RunRecord, events: Sequence[RunEvent], display: Display) -> str:
    """Seconds since the begin, name and text, wrapped to the terminal."""
    widest = max(len(for_people(event.name)) for event in events)
    lines = []
    for event in events:
        since_s = (event.at_utc - run.start.at_utc).total_seconds()
        head = f"  {since_s:+9.3f} s  {clean(for_people(event.name)).ljust(widest)}  "
        text = clean(event.text) or ", ".join(
            " ".join(fact) for fact in facts(dict(event.data), display)
        )
        width = max(24, terminal_width() - len(head))
        lines.append(head + ("\n" + " " * len(head)).join(textwrap.wrap(text, width) or [""]))
    return "\n".join(line.rstrip() for line in lines)


def plots(samples: SampleBlock, display: Display, width: int) -> str:
    """Irradiance, dose and vacuum, or the oven, against time, in the units to show."""
    if not len(samples):
        return "no samples to plot"
    t_s = (samples.at_utc_ms - samples.at_utc_ms[0]) / 1000.0
    drawn = []
    for name in plotted(samples):
        label, suffix = named(name)
        values, symbol = samples.values[name], ""
        if (quantity := suffix.quantity) is not None:
            unit = display.unit(quantity)
            zero, one = quantity.to(0.0, unit), quantity.to(1.0, unit)
            values, symbol = zero + (one - zero) * values, f", {quantity.unit(unit).symbol}"
        title = f"{'oven air' if name == 'oven_c' else label}{symbol}"
        drawn.append(plot(t_s, values, title=title, width=width, ascii_only=only_ascii()))
    return "\n\n".join(drawn) or "no column to plot"
