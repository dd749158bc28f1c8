"""Experiments, in the models of the contract."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict

from platelink.api.views import utc
from platelink.contract import experiments as c
from platelink.contract.calibrations import Step
from platelink.experiments.made import Concluded, Entry, Kept, Made


def brief(made: Made) -> c.Experiment:
    """An experiment."""
    return c.Experiment(
        name=made.name,
        kind=made.kind,
        nth=made.nth,
        stage=str(made.stage),
        head=made.head,
        runs=list(made.all_runs()),
        readings=len(made.used()),
        begun_by=made.begun.who,
        begun_utc=utc(made.begun.at_utc),
        conclusion=None if made.concluded is None else _conclusion(made.concluded),
    )


def _conclusion(of: Concluded) -> c.ConclusionNow:
    told = of.conclusion
    figure = None if told.figure is None else c.FigureNow(**asdict(told.figure))
    return c.ConclusionNow(
        told=told.told, text=told.text, figure=figure, ahead=told.ahead, lines=list(told.lines),
        proposal=told.proposal, fit=told.fit, platelink=of.release, readings=list(of.readings),
        who=of.by.who, at_utc=utc(of.by.at_utc),
    )  # fmt: skip


def whole(made: Made, history: Iterable[Entry], newest: Mapping[int, float]) -> c.ExperimentWhole:
    """With everything read and done. ``newest``: doses that the record has corrected since."""
    return c.ExperimentWhole(
        **dict(brief(made)),
        reading=[_reading(one, newest.get(one.number)) for one in made.readings],
        history=[
            Step(act=str(e.act), at_utc=utc(e.at_utc), who=e.who, why=e.why, body=e.body)
            for e in history
        ],
    )


def _reading(one: Kept, now_mj_cm2: float | None) -> c.ReadingNow:
    return c.ReadingNow(
        number=one.number, typed=one.typed, dose_mj_cm2=one.dose_mj_cm2, who=one.by.who,
        dose_now_mj_cm2=now_mj_cm2, at_utc=utc(one.by.at_utc), corrected=one.corrected,
        left_out=one.left_out or None,
    )  # fmt: skip
