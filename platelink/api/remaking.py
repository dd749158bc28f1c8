"""What a plate to be made again is told from: its record, and the unit's stores of today."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from pydantic import ValidationError

from platelink.api.context import Context
from platelink.api.errors import ApiError
from platelink.api.stores import journal, reading, reading_calibrations, reading_experiments
from platelink.calibrations.made import Made
from platelink.config.instruments import InstrumentSection, ModbusSection
from platelink.config.sensors import TemperatureSection, VacuumSection
from platelink.contract.remake import Remake
from platelink.contract.runs import BakeEnd
from platelink.contract.service import SensorSettings
from platelink.contract.story import RunStory
from platelink.events.event import EventName
from platelink.experiments.made import Made as Experiment
from platelink.experiments.made import Stage
from platelink.facts.ladder import courses, span_of
from platelink.finding.remake import Then, Today, remake
from platelink.finding.remake_light import Exponent
from platelink.finding.remake_parts import NEWEST, Oven
from platelink.finding.remake_scale import OnToday
from platelink.finding.scale import CONFIGURED, SAME_COUNTS
from platelink.ledger.by import to_ms
from platelink.recipe.life import Revision
from platelink.recipe.model import Recipe
from platelink.recipe.supplies import FilmNow, LotNow, ScreenNow
from platelink.record.errors import JournalError
from platelink.record.lit import NOT_THE_SCALE, lamp_record
from platelink.record.reader import JournalReader
from platelink.record.stored import LightScale, RunRecord
from platelink.sensing.calibration import Calibration, Line
from platelink.sensing.vacuum import ReachingGauge

LOOKED_AT = 60
"""Newest runs that are looked at for what frame and oven do today."""


class _Calibrations(NamedTuple):
    """All that were made, and those in force that are of the sensors as they are set up now."""

    made: tuple[Made, ...] = ()
    held: Mapping[str, Calibration] = MappingProxyType({})


def remade(here: Context, plate: RunRecord, story: RunStory) -> Remake:
    """The answer for a plate that has ended."""
    calibrations = _calibrations(here)
    with journal(here) as reader:
        runs, events, _ = lamp_record(reader)
        parts = reader.parts(plate.start.run_id)
        newest = [run for run in reader.runs(limit=LOOKED_AT)
                  if run.end is not None and run.start.plate != plate.start.run_id]  # fmt: skip
        lit = [run for run in newest if run.start.run_kind == "expose"]
        then = Then(plate, parts, story, dict(_vacuum(reader, parts, len(parts))))
        newest_kpa = [kpa for _, kpa in _vacuum(reader, lit, NEWEST)]
    config: Any = here.settings.config
    exposure = config.get("exposure") or {}
    light = OnToday(
        runs, events, [m for m in calibrations.made if m.sensor.startswith("light")],
        _light_now(here, calibrations.held), now_ms=to_ms(here.now()),
        limit_s=exposure.get("max_exposure_s"),
    )  # fmt: skip
    recipe: Any = plate.start.request.get("recipe") or {}
    shelf = _shelf(here, str(recipe.get("id")))
    exponent, unnamed = _exponent(here, recipe.get("stock"))
    today = Today(
        on=here.today(), light=light, exponent=exponent, unnamed=unnamed, newest_kpa=newest_kpa,
        gauge=_gauge(config),
        contact=config.get("contact") or {}, oven=_oven(config, parts, newest, calibrations),
        screens=shelf.screens, lots=shelf.lots, films=shelf.films,
        least_density=here.settings.least_film_density, expired=here.settings.expired_lot,
        revisions=shelf.revisions,
    )  # fmt: skip
    try:
        return remake(then, today)
    except ValidationError as error:
        why = " ".join(str(error).split())[:300]
        raise ApiError(
            f"the recipe of plate {plate.start.run_id} cannot be read by this release: {why}",
            "refused",
        ) from None


def _calibrations(here: Context) -> _Calibrations:
    with reading_calibrations(here) as store:
        if store is None:
            return _Calibrations()
        made = tuple(m for sensor in store.sensors() for m in store.of(sensor))
        stands_on = {one.name: one.stands_on for one in here.settings.sensors}
        held = {name: by for name, by in store.in_force().items()
                if by.settings == stands_on.get(name)}  # fmt: skip
        return _Calibrations(made, held)


# --- light and vacuum --------------------------------------------------------------------------


def _light_now(here: Context, held: Mapping[str, Calibration]) -> tuple[LightScale, ...]:
    """Each channel as the next exposure is read; none where it is not known."""
    channels = [one for one in here.settings.sensors if one.name.startswith("light ")]
    if not all("slope_mw_cm2_per_count" in one.settings for one in channels):
        return ()
    return tuple(_scale_now(one, held.get(one.name)) for one in channels)


def _scale_now(sensor: SensorSettings, by: Calibration | None) -> LightScale:
    settings: Any = sensor.settings
    return LightScale(
        calibration=CONFIGURED if by is None else by.name,
        made_on="" if by is None else by.made_at_utc.date().isoformat(),
        slope_mw_cm2_per_count=settings["slope_mw_cm2_per_count"] if by is None else by.line.gain,
        weight=float(settings.get("weight", 1.0)),
        settings={key: value for key, value in settings.items() if key not in NOT_THE_SCALE}
        | {"adc_bits": sensor.stands_on.get("adc_bits")},
    )


def _vacuum(
    reader: JournalReader, runs: Iterable[RunRecord], most: int
) -> Iterator[tuple[str, float]]:
    """Mean vacuum while light was counted, of the first so many exposures that waited for it."""
    found = 0
    for run in runs:
        run_id = run.start.run_id
        if found >= most:
            return
        if run.start.run_kind != "expose":
            continue
        try:
            held = any(event.name == EventName.CONTACT_HELD for event in reader.events(run_id))
            course = courses(reader.samples(run_id)).get("vacuum") if held else None
        except JournalError:
            continue  # what is damaged is told where it is shown
        if course is not None:
            found += 1
            yield run_id, span_of("vacuum", course).mean


# --- oven --------------------------------------------------------------------------------------


def _on_bus(config: Any, measures: str) -> InstrumentSection | None:
    bus = config.get("modbus")
    return None if bus is None else ModbusSection.model_validate(bus).of(measures)


def _gauge(config: Any) -> ReachingGauge | None:
    """The unit's gauge as it is set up now."""
    if (beside := _on_bus(config, "vacuum")) is not None:
        return beside.build()
    own, bits = config.get("vacuum"), (config.get("unit") or {}).get("adc_bits", 10)
    return None if own is None else VacuumSection.model_validate(own).sensor(bits)


def _oven(
    config: Any, parts: Sequence[RunRecord], newest: Sequence[RunRecord], known: _Calibrations
) -> Oven:
    section = config.get("oven")
    bits = (config.get("unit") or {}).get("adc_bits", 10)
    reach = None if section is None else TemperatureSection.model_validate(section).reach_c(bits)
    if (beside := _on_bus(config, "oven")) is not None:
        reach = beside.build().reach_c()
    means = []
    for run in newest:
        low, high = run.start.request.get("low_c"), run.start.request.get("high_c")
        end = run.end
        if run.start.run_kind != "bake" or end is None or end.state != "complete":
            continue
        mean = BakeEnd.model_validate(end.data).mean_c
        if isinstance(low, int | float) and isinstance(high, int | float) and mean is not None:
            means.append((float(low), float(high), mean))
    bakes = [run for run in parts if run.start.run_kind == "bake"]
    held = known.held.get("oven")
    then, now = _named_of(bakes), CONFIGURED if held is None else held.name
    then = then or now
    line, comparable = _line_of(then, known.made)
    return Oven(
        reach, means, then_line=line, line=None if held is None else held.line,
        comparable=then == now or (comparable and _routine(then, now, known.made)),
        names=(then, now),
    )  # fmt: skip


def _named_of(bakes: Sequence[RunRecord]) -> str:
    """The calibration that the oven was read by; empty where that is not known."""
    for run in bakes:
        named: Any = run.start.conditions.get("calibrations")
        for one in named if isinstance(named, list) else ():
            if one.get("sensor") == "oven":
                return str(one.get("calibration"))
    return ""


def _line_of(name: str, made: Sequence[Made]) -> tuple[Line | None, bool]:
    """Its line, none as configured; and whether that is known."""
    one = next((m for m in made if m.name == name), None)
    return (None, name == CONFIGURED) if one is None else (one.line, one.line is not None)


def _routine(then: str, now: str, made: Sequence[Made]) -> bool:
    """Only routine calibrations lie between: the sensor is the same."""
    low, high = sorted(
        0 if name == CONFIGURED else int(name.rpartition("@")[2]) for name in (then, now)
    )
    between = [m for m in made if m.sensor == "oven" and low < m.revision <= high]
    return all(m.plan.cause in SAME_COUNTS for m in between if m.approved is not None)


# --- stores ------------------------------------------------------------------------------------


class _Shelf(NamedTuple):
    """The stores as they are now, and the revisions of one recipe, oldest first."""

    lots: tuple[LotNow, ...] = ()
    screens: Mapping[str, ScreenNow] = MappingProxyType({})
    films: tuple[FilmNow, ...] = ()
    revisions: Sequence[tuple[Revision, Recipe]] = ()


def _shelf(here: Context, recipe: str) -> _Shelf:
    with reading(here) as store:
        if store is None:
            return _Shelf()
        return _Shelf(
            store.shelf.lots(), {one.screen.name: one for one in store.shelf.screens()},
            store.shelf.films(), [(one, store.recipe(one)) for one in store.revisions(recipe)],
        )  # fmt: skip


def _exponent(here: Context, stock: Any) -> tuple[Exponent | None, tuple[str, ...]]:
    """The newest p concluded of this stock; and experiments that tell one and name no stock."""
    with reading_experiments(here) as store:
        made = [] if store is None else [m for m in store.every() if m.kind == "reciprocity"]
    told = [m for m in made if m.stage is Stage.CONCLUDED and m.concluded is not None
            and m.concluded.conclusion.told]  # fmt: skip
    found = [one for m in told if stock and m.head.get("stock") == stock if (one := _told(m))]
    unnamed = tuple(m.name for m in told if not m.head.get("stock"))
    return (found[-1] if found else None), unnamed


def _told(made: Experiment) -> Exponent | None:
    """The p of a conclusion; none of a design with faults, for it is surer than it should be."""
    told = made.concluded.conclusion if made.concluded else None
    levels = [
        float(level) for one in made.used()
        if isinstance(level := one.typed.get("irradiance_mw_cm2"), int | float)
    ]  # fmt: skip
    if told is None or told.ahead or told.figure is None or not levels:
        return None
    figure = told.figure
    if figure.low is None or figure.high is None:
        return None
    return Exponent(made.name, figure.value, figure.low, figure.high, min(levels), max(levels))
