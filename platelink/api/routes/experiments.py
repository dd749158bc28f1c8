"""Experiments that find doses: begun, read, corrected, concluded. Nothing found is applied."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Query

from platelink import __version__
from platelink.api.context import Asking, Context, Here
from platelink.api.errors import ApiError
from platelink.api.experiment_views import brief, whole
from platelink.api.stores import journal, reading_experiments, writing_experiments
from platelink.contract.experiments import (
    Design,
    DesignQuery,
    Experiment,
    ExperimentConcluded,
    ExperimentDropped,
    Experiments,
    ExperimentWhole,
    HeadChanged,
    NewExperiment,
    ReadingCorrected,
    ReadingLeftOut,
    ReadingTaken,
    RunNamed,
    RunTakenOff,
)
from platelink.contract.runs import Run
from platelink.experiments.made import Made
from platelink.experiments.store import ExperimentStore
from platelink.finding.curve import NoFitError
from platelink.finding.depth import strip
from platelink.finding.reciprocity import staggered
from platelink.ledger.errors import StoreRefused
from platelink.record.stored import RunRecord
from platelink.units import DOSE, UnitError

router = APIRouter(tags=["experiments"])
PATCHES, WEDGES = 8, 5
"""Of a design, where it is not said how many."""


class _Record:
    """The journal, as the store asks it."""

    def __init__(self, here: Context) -> None:
        self._here = here

    def _found(self, wanted: str) -> RunRecord:
        with journal(self._here) as reader:
            ids = [wanted] if reader.run(wanted) is not None else reader.run_ids(wanted, limit=2)
            run = reader.run(ids[0]) if len(ids) == 1 else None
        if run is None:
            found = "more than one run begins" if len(ids) > 1 else "no run begins"
            raise ApiError(f"{found} with '{wanted:.60}'; name it whole, as the record has it",
                           "refused")  # fmt: skip
        return run

    def run(self, wanted: str) -> str:
        """Its whole id."""
        return self._found(wanted).start.run_id

    def dose(self, wanted: str) -> float:
        """Of an exposure that is complete."""
        run = self._found(wanted).summary
        if run.kind != "expose" or run.state != "complete" or run.dose_mj_cm2 is None:
            raise ApiError(
                f"run {run.run_id} ({run.kind}, {run.state}) has no whole dose; name the run of an "
                "exposure that is complete, or type the dose",
                "refused",
            )
        return self._newest(run)

    def _newest(self, run: Run) -> float:
        """As it was corrected last: with its plate, by a person or a corrected calibration."""
        assert run.dose_mj_cm2 is not None
        with journal(self._here) as reader:
            plate = reader.run(run.plate) if run.plate else None
        corrected = None if plate is None else plate.summary.newest(f"dose {run.run_id}")
        return run.dose_mj_cm2 if corrected is None else float(corrected.now)

    def newest(self, made: Made) -> dict[int, float]:
        """Readings that count with a dose of the record which is another by now, and that dose."""
        found: dict[int, float] = {}
        for one in made.used():
            run = one.typed.get("run")
            if one.dose_mj_cm2 is None or not isinstance(run, str):
                continue
            with suppress(ApiError):  # of a record that is not here: what was taken from it stands
                now = self.dose(run)
                if now != one.dose_mj_cm2:
                    found[one.number] = now
        return found


def _found(store: ExperimentStore | None, name: str) -> Made:
    if store is None:
        raise ApiError("no experiment yet; start with 'platelink find begin'", "unknown")
    try:
        return store.find(name)
    except StoreRefused as error:
        raise ApiError(str(error), "unknown") from None


def _at(here: Context, name: str, act: Callable[[ExperimentStore], Made]) -> Experiment:
    with reading_experiments(here) as store:
        _found(store, name)
    with writing_experiments(here) as store:
        return brief(act(store))


@router.get("/v1/experiments")
def experiments(here: Here) -> Experiments:
    """List all experiments, in the order they were begun."""
    with reading_experiments(here) as store:
        return Experiments(experiments=[] if store is None else list(map(brief, store.every())))


@router.get("/v1/experiments/{name}")
def experiment(name: str, here: Here) -> ExperimentWhole:
    """One experiment, with everything read and done."""
    with reading_experiments(here) as store:
        made = _found(store, name)
        assert store is not None
        return whole(made, store.history(made), _Record(here).newest(made))


@router.get("/v1/experiment-design")
def experiment_design(query: Annotated[DesignQuery, Query()]) -> Design:
    """Which doses to expose about a dose."""
    try:
        middle = DOSE.parse(query.dose)
        if query.kind == "depth":
            return Design(doses_mj_cm2=strip(middle, query.n or PATCHES))
        return Design(doses_mj_cm2=staggered(middle, query.n or WEDGES))
    except (UnitError, NoFitError) as error:
        raise ApiError(str(error), "misuse") from None


@router.post("/v1/experiments")
def begin_experiment(body: NewExperiment, here: Here, who: Asking) -> Experiment:
    """Begin an experiment of a kind."""
    with writing_experiments(here) as store:
        return brief(store.begin(body.kind, body.head, here.by(who)))


@router.post("/v1/experiments/{name}/change")
def change_experiment(name: str, body: HeadChanged, here: Here, who: Asking) -> Experiment:
    """Other keys of its kind, with the reason."""
    by = here.by(who, body.why)
    return _at(here, name, lambda store: store.change(name, body.head, by))


@router.post("/v1/experiments/{name}/name-run")
def name_run(name: str, body: RunNamed, here: Here, who: Asking) -> Experiment:
    """A run or a plate of the record belongs to it."""
    return _at(here, name, lambda s: s.name_run(name, body.run, here.by(who), _Record(here)))


@router.post("/v1/experiments/{name}/take-off")
def take_off(name: str, body: RunTakenOff, here: Here, who: Asking) -> Experiment:
    """A run that was named does not belong to it, with the reason."""
    by = here.by(who, body.why)
    return _at(here, name, lambda store: store.take_off(name, body.run, by))


@router.post("/v1/experiments/{name}/read")
def take_reading(name: str, body: ReadingTaken, here: Here, who: Asking) -> Experiment:
    """One reading more, as it was typed."""
    return _at(here, name, lambda s: s.read(name, body.reading, here.by(who), _Record(here)))


@router.post("/v1/experiments/{name}/correct")
def correct_reading(name: str, body: ReadingCorrected, here: Here, who: Asking) -> Experiment:
    """What a reading should have been, with the reason; what was typed first stays on record."""
    by = here.by(who, body.why)
    return _at(
        here, name, lambda s: s.correct(name, body.number, body.reading, by, _Record(here))
    )  # fmt: skip


@router.post("/v1/experiments/{name}/leave-out")
def leave_reading_out(name: str, body: ReadingLeftOut, here: Here, who: Asking) -> Experiment:
    """A reading is not used, with the reason; it stays in the record."""
    by = here.by(who, body.why)
    return _at(here, name, lambda store: store.leave_out(name, body.number, by))


@router.post("/v1/experiments/{name}/conclude")
def conclude(name: str, body: ExperimentConcluded, here: Here, who: Asking) -> Experiment:
    """Say what the readings tell, or why they cannot; readings may follow. A dose that was
    corrected in the record since it was read is taken as it is now, in entries of its own."""
    by = here.by(who)

    def act(store: ExperimentStore) -> Made:
        store.renew(name, _Record(here).newest(store.find(name)), by)
        return store.conclude(name, by, release=__version__)

    return _at(here, name, act)


@router.post("/v1/experiments/{name}/drop")
def drop_experiment(name: str, body: ExperimentDropped, here: Here, who: Asking) -> Experiment:
    """Discards it; it stays on record."""
    by = here.by(who, body.why)
    return _at(here, name, lambda store: store.drop(name, by))
