"""What the shop's experiment in evenness makes of a plate's place on the bed."""

from __future__ import annotations

from platelink.api.context import Context
from platelink.api.errors import ApiError
from platelink.api.stores import journal, reading_experiments
from platelink.contract.plates import PlaceOnBed
from platelink.contract.wire import OnBed
from platelink.experiments.made import Made, Stage
from platelink.finding.curve import NoFitError
from platelink.finding.evenness import BedReading, Evenness, evenness
from platelink.finding.experiments import Bed
from platelink.recipe.supplies import Finding
from platelink.record.uses import resets


def on_bed(here: Context, place: PlaceOnBed | None) -> tuple[OnBed | None, Finding | None]:
    """By the newest concluded experiment that says where the sensor sees the light; and what stands
    against using it. ``ApiError`` for a place that nobody measured."""
    measured = _measured(here)
    if measured is None:
        if place is None:
            return None, None
        text = (
            "a place on the bed needs a concluded experiment in evenness that says where the "
            "sensor is (sensor_cm); make one (platelink find begin bed), or leave the place out"
        )
        raise ApiError(text, "refused")
    made, bed, sensor = measured
    if _lamps_changed_since(here, made):
        text = (
            f"the evenness of the bed ({made.name}) is of the lamps before: it is not used; "
            "measure the bed again"
        )
        return None, Finding("bed not measured since lamps", False, text)
    where = None if place is None else (place.x_cm, place.y_cm, place.width_cm, place.height_cm)
    try:
        lying = bed.lying(where, sensor)
    except NoFitError as error:
        text = f"{error}; correct the place, measure nearer to the bed's edges, or leave it out"
        raise ApiError(text, "refused") from None
    return OnBed(experiment=made.name, place_cm=where, **lying._asdict()), None


def _measured(here: Context) -> tuple[Made, Evenness, tuple[float, float]] | None:
    with reading_experiments(here) as store:
        known = () if store is None else store.every()
    concluded = [
        made for made in known
        if made.kind == "bed" and made.stage is Stage.CONCLUDED and made.concluded is not None
        and made.concluded.conclusion.told
    ]  # fmt: skip
    for made in sorted(concluded, key=_concluded_at, reverse=True):
        experiment = made.experiment()
        if isinstance(experiment, Bed) and experiment.sensor_cm is not None:
            read = [BedReading(r.x_cm, r.y_cm, r.irradiance_mw_cm2) for r in experiment.reading]
            x, y = experiment.sensor_cm
            return made, evenness(read), (x, y)
    return None


def _concluded_at(made: Made) -> str:
    assert made.concluded is not None
    return made.concluded.by.at_utc.isoformat()


def _lamps_changed_since(here: Context, made: Made) -> bool:
    """The bed was measured by the lamps before."""
    if not here.settings.journal.exists() or not made.readings:
        return False
    read = max(one.by.at_utc for one in made.used())
    with journal(here) as reader:
        return any(changed > read for changed in resets(reader, "lamp change"))
