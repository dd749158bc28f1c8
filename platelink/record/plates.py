"""What the record tells of plates that decides their depth. Reads a journal."""

from __future__ import annotations

from platelink.contract.base import Json
from platelink.events.event import read
from platelink.events.light import ContactHeld, ContactWeaker
from platelink.events.steps import BakeEnded, Inspected, StageEnded, WaterTyped
from platelink.record.reader import JournalReader
from platelink.record.stored import ExposedPlate, RunRecord
from platelink.record.story import depths_of, named_in, planned
from platelink.runs import RunEvent

HISTORY = 300
"""Newest plates of a recipe that are read."""


class NothingToPredictError(ValueError):
    """Why a plate's record says nothing of its depth yet, or never will; says what to do."""


def plate_record(journal: JournalReader, run: RunRecord) -> ExposedPlate:
    """Of this plate; ``NothingToPredictError`` says why not."""
    plate, request = run.start.run_id, run.start.request
    if run.start.run_kind != "plate":
        raise NothingToPredictError(f"{plate} is no plate; name one: platelink plate list")
    steps = planned(run)
    last = _last_contact(steps)
    if last is None:
        raise NothingToPredictError(f"the recipe of {plate} has no exposure with contact")
    limits = {
        str(point.get("name")): (float(low), float(high))
        for point in named_in(run, "point")
        if isinstance(low := point.get("low_um"), int | float)
        and isinstance(high := point.get("high_um"), int | float)
    }
    if not limits:
        raise NothingToPredictError(
            f"the recipe of {plate} has no depth measured; give its inspection points"
        )
    name, target = str(last.get("name")), last.get("dose_mj_cm2")
    runs = [part for part in journal.parts(plate) if part.start.step == name]
    over = [part for part in runs if part.end is not None]
    doses = [dose for part in over if (dose := part.summary.dose_mj_cm2)]
    if not over or len(over) < len(runs) or over[-1].summary.state != "complete" or not doses:
        raise NothingToPredictError(
            f"{plate}: its exposure '{name}' is not complete; the depth follows from its dose"
        )
    events = journal.events(plate)
    light_s = sum(part.summary.light_s or 0.0 for part in over)
    depths = {one.point: one.um for one in depths_of(run, events)}
    end = over[-1].end
    assert end is not None
    recipe = request.get("recipe")
    return ExposedPlate(
        plate=plate,
        recipe=str((recipe if isinstance(recipe, dict) else {}).get("id") or request["revision"]),
        step=name,
        screen=None if last.get("screen") is None else str(last["screen"]),
        target_mj_cm2=float(target) if isinstance(target, int | float) else sum(doses),
        dose_mj_cm2=sum(doses),
        irradiance_mw_cm2=sum(doses) / light_s if light_s > 0.0 else None,
        calibrations=_calibrations(over[-1]),
        exposed_utc=end.at_utc,
        lot=run.summary.lot or "",
        place_pct=_place_pct(request.get("on_bed")),
        **_ages(request.get("ages")),
        contact_kpa=max(_lost_kpa(journal.events(part.start.run_id), light_s) for part in over),
        limits_um=limits,
        depths_um=depths,
        inspected_utc=max(
            (e.at_utc for e in events if e.name == Inspected.NAME), default=None
        ) if depths else None,
        bake_min=_last_bake_min(events),
        water_c=_water_c(events),
    )  # fmt: skip


def plates_before(journal: JournalReader, plate: ExposedPlate) -> list[ExposedPlate]:
    """Those like it that were exposed before it, oldest first; what says nothing is left out."""
    runs = journal.runs(step="plate", recipe=plate.recipe, until=plate.exposed_utc, limit=HISTORY)
    found = []
    for run in runs:
        try:
            one = plate_record(journal, run)
        except NothingToPredictError:
            continue
        if one.plate != plate.plate and one.like(plate) and one.exposed_utc < plate.exposed_utc:
            found.append(one)
    return sorted(found, key=lambda one: one.exposed_utc)


def _last_contact(steps: list[Json]) -> Json | None:
    """The last exposure with contact before the wash."""
    found = None
    for step in steps:
        if step.get("kind") == "wash":
            break
        if step.get("kind") == "expose" and isinstance(step.get("contact"), dict):
            found = step
    return found


def _place_pct(on_bed: object) -> float | None:
    """Of a plate whose own place was given, not of anywhere on the bed."""
    if not isinstance(on_bed, dict) or not on_bed.get("place_cm"):
        return None
    pct = on_bed.get("mean_pct")
    return float(pct) if isinstance(pct, int | float) and pct > -100.0 else None


def _ages(told: object) -> dict[str, float | None]:
    """How old its lot and its bath were, as far as its request tells."""
    given = told if isinstance(told, dict) else {}
    names = ("lot_open_days", "bath_days", "bath_m2")
    return {
        name: float(age) if isinstance(age := given.get(name), int | float) and age >= 0 else None
        for name in names
    }


def _calibrations(run: RunRecord) -> tuple[str, ...]:
    named = run.start.conditions.get("calibrations")
    each = named if isinstance(named, list) else []
    return tuple(
        str(one.get("calibration")) for one in each
        if isinstance(one, dict) and str(one.get("sensor")).startswith("light")
    )  # fmt: skip


def _lost_kpa(events: list[RunEvent], light_s: float) -> float:
    lost = 0.0
    for event in events:
        if held := read(ContactHeld, event.name, event.data):
            lost = max(lost, (held.fall_kpa_per_min or 0.0) * light_s / 60.0)
        elif weaker := read(ContactWeaker, event.name, event.data):
            lost = max(lost, weaker.held_kpa - weaker.vacuum_kpa)
    return lost


def _last_bake_min(events: list[RunEvent]) -> float | None:
    ended = [one for e in events if (one := read(BakeEnded, e.name, e.data))]
    return ended[-1].in_band_s / 60.0 if ended else None


def _water_c(events: list[RunEvent]) -> float | None:
    """Mean of the wash by its probe, else as somebody read it."""
    found = None
    for event in events:
        if stage := read(StageEnded, event.name, event.data):
            found = found if stage.water_mean_c is None else stage.water_mean_c
        elif typed := read(WaterTyped, event.name, event.data):
            found = typed.water_c
    return found
