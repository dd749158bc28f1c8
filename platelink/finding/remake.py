"""A plate to be made again: everything that decided it, then and today, and a draft. Pure.

Nothing is applied: the draft is a recipe that people add, try and approve. What cannot be matched
is told with how far off it will be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date
from typing import Any

from platelink.contract.recipes import Change
from platelink.contract.remake import Match, Remake, RemakeLine
from platelink.contract.story import RunStory
from platelink.finding.remake_light import Exponent, lamps_line, law_for, light_of
from platelink.finding.remake_line import line_of
from platelink.finding.remake_parts import (
    Oven,
    Part,
    bake_of,
    contact_of,
    film_of,
    lot_of,
    screen_of,
    wash_of,
)
from platelink.finding.remake_scale import Given, OnToday, restated
from platelink.forms.write import to_toml
from platelink.recipe.diff import diff
from platelink.recipe.life import Revision, State, present
from platelink.recipe.model import Recipe
from platelink.recipe.steps import BakeStep, ExposeStep, WashStep
from platelink.recipe.supplies import Expired, FilmNow, LotNow, ScreenNow
from platelink.record.stored import RunRecord
from platelink.sensing.vacuum import ReachingGauge

DRAFTED = "Drafted to repeat plate "
"""How the line begins that the draft's description has of its origin."""
_WHY_CHARACTERS = 1000


@dataclass(frozen=True, slots=True)
class Then:
    """The plate as it is on record."""

    plate: RunRecord
    parts: Sequence[RunRecord]
    """Its exposures and bakes."""
    story: RunStory
    vacuum_kpa: Mapping[str, float]
    """Mean while light was counted, by run."""


@dataclass(frozen=True, slots=True)
class Today:
    """The unit and its stores as they are now."""

    on: date
    light: OnToday
    exponent: Exponent | None
    """Of the plate's stock."""
    unnamed: tuple[str, ...]
    """Experiments that tell a p and name no stock."""
    newest_kpa: Sequence[float]
    """Means of the vacuum of the newest exposures with contact, newest first."""
    gauge: ReachingGauge | None
    contact: Mapping[str, Any]
    """The section [contact] of the configuration."""
    oven: Oven
    screens: Mapping[str, ScreenNow]
    lots: Sequence[LotNow]
    films: Sequence[FilmNow]
    least_density: float | None
    """Of a film's black, as the shop has it."""
    expired: Expired
    revisions: Sequence[tuple[Revision, Recipe]]
    """Of the plate's recipe, oldest first."""


def remake(then: Then, today: Today) -> Remake:
    """See the file's first lines. ValueError where the plate's recipe cannot be read."""
    start, summary = then.plate.start, then.plate.summary
    request = start.request
    recipe = Recipe.model_validate(request.get("recipe"))
    revision = str(request.get("revision") or recipe.id)
    given = {step.name: _given(then, today, step) for step in _exposures(recipe)}
    all_given = [one for each in given.values() for one in each]
    section = law_for(recipe.reciprocity, today.exponent, all_given)
    lines = list(_of_plate(then, today, recipe, revision))
    lines += lamps_line(all_given, today.light.now)
    if today.exponent is None and recipe.reciprocity is None:
        lines += [line_of("", "p", "not known", f"{name} tells a p and names no stock: enter it "
                         f"(platelink find change {name} stock=NAME), then conclude it again")
                  for name in today.unnamed]  # fmt: skip
    steps, evidence = [], []
    for step in recipe.step:
        part = _step(step, then, today, given, section)
        lines += part.lines
        evidence += [part.evidence] if part.evidence else []
        steps.append(_changed(step.model_dump(mode="json"), part.changes))
    content = recipe.content() | {"step": steps}
    if section != recipe.reciprocity and section is not None and today.exponent is not None:
        content["reciprocity"] = section.model_dump(mode="json")
        evidence.append(f"p = {section.p:g} by {today.exponent.name}")
    draft = Recipe.model_validate(content)
    by, changes = _in_use(draft, today.revisions), diff(recipe, draft)
    origin = _origin(then, revision, all_given, evidence)
    draft = draft.model_copy(update={"description": _described(recipe.description, origin)})
    return Remake(
        plate=start.run_id, revision=revision, made_utc=summary.begun_utc,
        judgement=summary.judgement, lines=lines, by=by,
        changes=[Change(step=c.step, kind=c.kind, text=c.text) for c in changes],
        toml=None if by is not None else to_toml(draft), why=origin[:_WHY_CHARACTERS],
        cannot=sum(line.match == "cannot" for line in lines),
    )  # fmt: skip


def _exposures(recipe: Recipe) -> list[ExposeStep]:
    return [step for step in recipe.step if isinstance(step, ExposeStep)]


def _given(then: Then, today: Today, step: ExposeStep) -> list[Given]:
    """What the step's exposures gave; as a person stated it again, where one did."""
    now = {one.field: one.now for one in then.plate.summary.corrections}
    found = []
    for run in then.parts:
        if run.start.step != step.name or run.start.run_kind != "expose":
            continue
        one, said = today.light.given(run), now.get(f"dose {run.start.run_id}")
        if one is not None:
            found.append(restated(one, said) if isinstance(said, float) else one)
    return found


def _step(
    step: Any, then: Then, today: Today, given: Mapping[str, Sequence[Given]], section: Any
) -> Part:
    runs = [run for run in then.parts if run.start.step == step.name]
    match step:
        case ExposeStep():
            light = light_of(
                step, given[step.name], today.light.now, found=today.exponent, section=section
            )
            vacuum = [v for run in runs if (v := then.vacuum_kpa.get(run.start.run_id)) is not None]
            contact = contact_of(
                step, vacuum, today.newest_kpa, gauge=today.gauge, then=_contact_then(runs),
                today=today.contact,
            )  # fmt: skip
            changes: dict[str, Any] = {}
            if light.dose_mj_cm2 is not None:
                changes["dose_mj_cm2"] = light.dose_mj_cm2
            if step.dither_pct is not None:
                changes["dither_pct"] = None  # the dose is the plate's own
            if contact.changes:
                changes["contact"] = contact.changes
            lines = [*light.lines, *contact.lines, *screen_of(step, today.screens)]
            told = "; ".join(filter(None, (light.evidence, contact.evidence)))
            return Part(lines, changes, told)
        case BakeStep():
            return bake_of(step, runs, today.oven)
        case WashStep():
            return wash_of(step, [s for s in then.story.stages if s.name in _stages(step)])
    return Part([], {}, "")


def _stages(step: WashStep) -> set[str]:
    return {stage.name for stage in step.stage}


def _contact_then(runs: Sequence[RunRecord]) -> Mapping[str, Any]:
    """The section [contact] that the newest of these runs was made with."""
    for run in reversed(runs):
        config: Any = run.start.conditions.get("config")
        contact = config.get("contact") if isinstance(config, dict) else None
        if isinstance(contact, dict):
            return contact
    return {}


def _changed(content: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Changes of a section inside are taken into it."""
    return content | {
        key: {**content[key], **value} if isinstance(value, dict) else value
        for key, value in changes.items()
    }


def _of_plate(then: Then, today: Today, recipe: Recipe, revision: str) -> Iterator[RemakeLine]:
    """The plate as a whole: its end and verdict, what is approved today, the lot."""
    summary, end = then.plate.summary, then.plate.end
    if end is not None and end.state != "complete":
        yield line_of("", "end", "differs", f"the plate was {end.state}: {end.reason}")
    if summary.judgement == "reject":
        text = "it was judged a reject: find out why before it is made the same way"
        yield line_of("", "verdict", "not known", text)
    for told in then.story.steps:
        if told.state == "skipped":
            text = f"skipped then: {told.reason or 'no reason'}"
            yield line_of(told.name, "skipped", "differs", text)
    now = present([one for one, _ in today.revisions])
    if now is not None and now.name != revision:
        match: Match = "differs" if now.state is State.APPROVED else "same"
        text = f"{now.name} is {now.state} today"
        yield line_of("", "recipe", match, text, then=revision, today=now.name)
    area = then.plate.start.request.get("area_cm2")
    area_cm2 = float(area) if isinstance(area, int | float) else 0.0
    yield lot_of(
        summary.lot, recipe.stock, area_cm2, today.lots, today=today.on, expired=today.expired
    )
    film = then.plate.start.request.get("film")
    if isinstance(film, str):
        yield film_of(film, today.films, least_density=today.least_density, today=today.on)


def _in_use(draft: Recipe, revisions: Sequence[tuple[Revision, Recipe]]) -> str | None:
    """The revision in use that makes the same, whatever its description says."""
    wanted = draft.content() | {"description": None}
    return next(
        (
            one.name for one, recipe in reversed(revisions)
            if one.state is not State.RETIRED
            and recipe.content() | {"description": None} == wanted
        ),
        None,
    )  # fmt: skip


def _origin(then: Then, revision: str, given: Sequence[Given], evidence: Sequence[str]) -> str:
    start = then.plate.start
    runs = ", ".join(dict.fromkeys(one.run.start.run_id for one in given))
    said = "; ".join(evidence) or "as it was made"
    day = start.at_utc.astimezone(UTC).date()
    return f"{DRAFTED}{start.run_id} ({revision}, {day}; runs {runs or 'none'}): {said}."


def _described(before: str | None, origin: str) -> str:
    """The recipe's own words, and one line of the newest origin."""
    own = [line for line in (before or "").splitlines() if not line.startswith(DRAFTED)]
    return "\n".join([*own, origin])
